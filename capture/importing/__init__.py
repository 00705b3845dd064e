"""Importing: recordings made of tables that other programs wrote."""
