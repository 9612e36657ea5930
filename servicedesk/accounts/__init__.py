"""Who signs in, in which role, and for which owners."""
