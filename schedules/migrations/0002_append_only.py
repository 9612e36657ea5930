"""The database itself refuses to change what has been stated or issued."""

from django.db import migrations

from inventory.appendonly import fence


class Migration(migrations.Migration):
    dependencies = [("schedules", "0001_initial")]
    operations = [
        migrations.RunPython(
            fence(
                "schedules_visitentry",
                "schedules_certificate",
                "schedules_withdrawal",
                "schedules_certificatefile",
            ),
            migrations.RunPython.noop,
        )
    ]
