"""Which interval tables a place uses, and who confirmed them against local code."""
