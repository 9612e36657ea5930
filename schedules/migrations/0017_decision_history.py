"""The database itself refuses to change what an owner decided."""

from django.db import migrations

from inventory.appendonly import fence


class Migration(migrations.Migration):
    dependencies = [("schedules", "0016_quotations_and_months")]
    operations = [migrations.RunPython(fence("schedules_linedecision"), migrations.RunPython.noop)]
