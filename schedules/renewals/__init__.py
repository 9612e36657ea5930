"""Contracts that end soon: what the firm brings to the talk about the next term."""
