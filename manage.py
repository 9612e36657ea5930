#!/usr/bin/env python
"""Django's command line of this project."""

import os
import sys


def main() -> None:
    """Run one management command."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "servicedesk.settings")
    try:
        from django.core.management import execute_from_command_line
    except ImportError as absent:
        sys.exit(f"{absent}. Run `make setup` once, then use .venv/bin/python manage.py, or activate .venv.")
    execute_from_command_line(sys.argv)


if __name__ == "__main__":
    main()
