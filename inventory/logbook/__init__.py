"""What happened to each unit: append-only service records and their readings."""
