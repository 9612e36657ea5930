"""Tallies count units as well, and tasks by month; those counted without are counted anew within the hour."""

from __future__ import annotations

from typing import Any

from django.db import migrations, models


def _forget(apps: Any, _: Any) -> None:
    # A site without a tally is counted row by row until the hourly sweep has counted it.
    apps.get_model("schedules", "SiteTally").objects.all().delete()


class Migration(migrations.Migration):
    dependencies = [("schedules", "0020_survey_decision_erasable")]

    operations = [
        migrations.RunPython(_forget, migrations.RunPython.noop),
        *(
            migrations.AddField("sitetally", f"{prefix}_{name}", models.PositiveIntegerField(default=0))
            for prefix in ("unit", "whole")
            for name in ("overdue", "unknown", "due", "in_date")
        ),
        migrations.AddField(
            "sitetally",
            "coming",
            models.JSONField(
                default=list,
                help_text=(
                    "By month of the latest date, as 12 × year + month − 1: [month, tasks but looks, looks]."
                ),
            ),
        ),
        migrations.AddField(
            "sitetally",
            "coming_until",
            models.PositiveIntegerField(default=0, help_text="The first month that is not kept."),
        ),
    ]
