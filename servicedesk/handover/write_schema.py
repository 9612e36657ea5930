"""``python -m servicedesk.handover.write_schema``: write the copy of the schema that the repository holds."""

from __future__ import annotations

import os
from pathlib import Path

if __name__ == "__main__":
    import django

    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "servicedesk.settings")
    django.setup()
    from servicedesk.handover.schema import schema_text

    Path(__file__).with_name("schema.json").write_text(schema_text(), encoding="utf-8")
