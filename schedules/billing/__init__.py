"""Billing lines: what was done, read off the records and handed to the firm's bookkeeping once."""
