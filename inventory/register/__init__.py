"""Owners, premises, numbered places, and the units that hang there."""
