"""Erasing personal data: finding where a person stands, what must be kept, and taking the rest out."""
