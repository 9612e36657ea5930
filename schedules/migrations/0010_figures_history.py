"""The database itself refuses to change by which figures work was bundled."""

from django.db import migrations

from inventory.appendonly import fence


class Migration(migrations.Migration):
    dependencies = [("schedules", "0009_outlook_and_travel")]
    operations = [migrations.RunPython(fence("schedules_bundlingfigures"), migrations.RunPython.noop)]
