"""Filters that templates load."""
