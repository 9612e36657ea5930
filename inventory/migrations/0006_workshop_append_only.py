"""What was stated on a job card, and the history of instruments and values, is never changed."""

from django.db import migrations

from inventory.appendonly import fence


class Migration(migrations.Migration):
    dependencies = [("inventory", "0005_workshop")]
    operations = [
        migrations.RunPython(
            fence(
                "inventory_cardentry",
                "inventory_cardinstrument",
                "inventory_calibration",
                "inventory_workshopdefault",
            ),
            migrations.RunPython.noop,
        )
    ]
