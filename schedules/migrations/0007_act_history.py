"""The database refuses to change what was recorded on site; a column more had taken the fence away."""

from django.db import migrations

from inventory.appendonly import fence


class Migration(migrations.Migration):
    dependencies = [("schedules", "0006_field_acts")]
    operations = [
        migrations.RunPython(fence("schedules_fieldact", "schedules_visitentry"), migrations.RunPython.noop)
    ]
