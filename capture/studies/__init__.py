"""Studies: what needs the whole run at once. Each is a function of arrays and returns frozen results."""
