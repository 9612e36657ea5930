"""The database itself refuses to change what was done to a plan and by which rules it was made."""

from django.db import migrations

from inventory.appendonly import fence


class Migration(migrations.Migration):
    dependencies = [("schedules", "0004_crew_and_routes")]
    operations = [
        migrations.RunPython(
            fence("schedules_planchange", "schedules_planningrules"), migrations.RunPython.noop
        )
    ]
