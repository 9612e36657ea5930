"""Units whose manufacture date nobody knows stand in an index of their own."""

from __future__ import annotations

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("inventory", "0016_site_indexes"),
    ]

    operations = [
        migrations.AddIndex(
            model_name="unit",
            index=models.Index(
                condition=models.Q(made_precision="unknown"),
                fields=["number", "id"],
                name="unit_made_unknown",
            ),
        ),
    ]
