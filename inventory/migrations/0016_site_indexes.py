"""Indexes of sites by name and by time zone."""

from __future__ import annotations

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("inventory", "0015_corrections_terms_claims_erasures"),
    ]

    operations = [
        migrations.AddIndex(
            model_name="site",
            index=models.Index(fields=["merged_into", "name", "id"], name="site_by_name"),
        ),
        migrations.AddIndex(
            model_name="site",
            index=models.Index(fields=["monthly_checks_by", "time_zone"], name="site_by_looks_and_zone"),
        ),
    ]
