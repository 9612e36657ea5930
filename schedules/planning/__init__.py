"""Pure planning: visit dates inside windows, even load, routes of technicians over days."""
