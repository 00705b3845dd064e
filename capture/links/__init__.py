"""Links: ways to a logger. A link opens, reads, writes, closes, and says why it was lost."""
