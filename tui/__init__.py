"""The terminal screens and the command line. Knows capture; nobody knows it."""
