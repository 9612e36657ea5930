"""A database of its own for a benchmark: made, migrated and dropped again."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from django.db import connection


def database_name() -> str:
    """The database and its version, as a figure names it."""
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SHOW server_version")
            return f"PostgreSQL {cursor.fetchone()[0].split()[0]}"
    import sqlite3

    return f"SQLite {sqlite3.sqlite_version}"


@contextmanager
def throwaway_database() -> Iterator[None]:
    """Point the default connection at a new, migrated database; drop it at the end, whatever happens.

    The file of a SQLite database lies in the system's folder for temporary files (``TMPDIR``).
    """
    old_name = connection.settings_dict["NAME"]
    with tempfile.TemporaryDirectory(prefix="servicedesk-bench-") as folder:
        test = connection.settings_dict.setdefault("TEST", {})
        test["NAME"] = (
            str(Path(folder) / "bench.sqlite3")
            if connection.vendor == "sqlite"
            else f"servicedesk_bench_{os.getpid()}"
        )
        connection.creation.create_test_db(verbosity=0, autoclobber=True, serialize=False)
        try:
            yield
        finally:
            connection.creation.destroy_test_db(str(old_name), verbosity=0)
