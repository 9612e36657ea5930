"""Frozen statements to owners, and their PDF files."""
