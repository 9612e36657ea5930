"""Wiring and edges: settings, access, pages, REST API, files in and out."""
