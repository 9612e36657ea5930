"""A person named in the reason of a decision of a survey can be erased."""

from __future__ import annotations

from django.db import migrations

from inventory.appendonly import fence_but_erasing


class Migration(migrations.Migration):
    dependencies = [
        ("schedules", "0019_surveys_billing_flags"),
        ("inventory", "0015_corrections_terms_claims_erasures"),
    ]

    operations = [
        migrations.RunPython(
            fence_but_erasing("schedules_surveydecision", "reason"), migrations.RunPython.noop
        ),
    ]
