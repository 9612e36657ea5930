"""The sweep keeps of each unit what the page of findings asks; every unit is worked out once more for it."""

from __future__ import annotations

from typing import Any

from django.db import migrations, models


def make_all_stale(apps: Any, schema_editor: Any) -> None:
    apps.get_model("schedules", "Freshness").objects.update(rulebook_digest="")


class Migration(migrations.Migration):
    dependencies = [
        ("inventory", "0017_unit_made_unknown_index"),
        ("schedules", "0022_obligation_unknown_by_id"),
    ]

    operations = [
        migrations.AddField(
            model_name="freshness",
            name="doubt_until",
            field=models.DateField(
                help_text="The last day on which facts and records cannot all be right; empty if they can.",
                null=True,
            ),
        ),
        migrations.AddField(
            model_name="freshness",
            name="is_unspoken",
            field=models.BooleanField(
                default=False, help_text="No interval table speaks of the unit at all."
            ),
        ),
        migrations.AddIndex(
            model_name="freshness",
            index=models.Index(
                condition=models.Q(doubt_until__isnull=False),
                fields=["doubt_until"],
                name="freshness_in_doubt",
            ),
        ),
        migrations.AddIndex(
            model_name="freshness",
            index=models.Index(
                condition=models.Q(is_unspoken=True), fields=["unit"], name="freshness_unspoken"
            ),
        ),
        migrations.RemoveIndex(model_name="obligation", name="obligation_uncovered"),
        migrations.AddIndex(
            model_name="obligation",
            index=models.Index(
                condition=models.Q(knowledge="uncovered"),
                fields=["site", "unit"],
                name="obligation_uncovered",
            ),
        ),
        migrations.RunPython(make_all_stale, migrations.RunPython.noop),
    ]
