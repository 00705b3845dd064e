"""The live machinery: reader, engine and writer threads, and the Snapshot they make for a screen."""
