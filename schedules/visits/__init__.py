"""Trips to a site: proposed, confirmed, recorded, closed."""
