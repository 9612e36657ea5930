"""Files in and out: read, map, report row by row."""
