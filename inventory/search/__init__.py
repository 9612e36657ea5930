"""Finding rows by fragments of what is written on them; kept by the database itself."""
