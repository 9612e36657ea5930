"""The database itself refuses to change what has been recorded."""

from django.db import migrations

from inventory.appendonly import fence


class Migration(migrations.Migration):
    dependencies = [("inventory", "0002_initial")]
    operations = [
        migrations.RunPython(fence("inventory_servicerecord", "inventory_reading"), migrations.RunPython.noop)
    ]
