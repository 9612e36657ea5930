"""Recalls of units: which units a notice concerns, and how far each is followed up."""
