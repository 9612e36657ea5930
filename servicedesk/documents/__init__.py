"""Papers made on demand from what the register says now: one template and one builder each.

Certificates are frozen and live in ``schedules.certificates``; everything here says when it was printed.
"""
