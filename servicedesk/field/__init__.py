"""Pages of the technician, laid out for a phone first: own visits, the round, one unit, closing."""
