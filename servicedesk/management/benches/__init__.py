"""Benchmarks of the edges, beside those of the schedules; run by ``manage.py bench NAME``."""
