"""Columns in which a person may be named can be erased, and nothing else."""

from django.db import migrations

from inventory.appendonly import fence_but_erasing


class Migration(migrations.Migration):
    dependencies = [
        ("inventory", "0019_erasures_and_service_ends"),
        ("schedules", "0021_price_steps"),
    ]
    operations = [
        migrations.RunPython(fence_but_erasing("schedules_fieldact", "content"), migrations.RunPython.noop),
        migrations.RunPython(
            fence_but_erasing(
                "schedules_visitentry", "replacement", "checks", "parts", "marks", "readings", "remarks"
            ),
            migrations.RunPython.noop,
        ),
        migrations.RunPython(fence_but_erasing("schedules_withdrawal", "reason"), migrations.RunPython.noop),
        migrations.RunPython(
            fence_but_erasing("schedules_linedecision", "remark", "decided_name"), migrations.RunPython.noop
        ),
        migrations.RunPython(
            fence_but_erasing("schedules_planchange", "sentence", "before", "after"),
            migrations.RunPython.noop,
        ),
    ]
