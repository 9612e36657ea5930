"""The index of obligations without a known date also tells rows of one day apart."""

from __future__ import annotations

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("schedules", "0021_tallies_of_units"),
    ]

    operations = [
        migrations.RemoveIndex(model_name="obligation", name="obligation_unknown"),
        migrations.AddIndex(
            model_name="obligation",
            index=models.Index(
                fields=["latest_on", "id"],
                condition=models.Q(knowledge="unknown_basis"),
                name="obligation_unknown",
            ),
        ),
    ]
