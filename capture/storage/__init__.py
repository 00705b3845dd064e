"""Recordings on disk: journal, Parquet file, the writer thread, recovery and reading."""
