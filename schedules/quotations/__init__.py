"""Quotations: what mending defects would cost, line by line, and what the owner decided."""
