"""Moves of units and of goods, samples and decisions are never changed."""

from django.db import migrations

from inventory.appendonly import fence


class Migration(migrations.Migration):
    dependencies = [("inventory", "0010_custody_stock_condition")]
    operations = [
        migrations.RunPython(
            fence(
                "inventory_move",
                "inventory_stockmove",
                "inventory_lotsample",
                "inventory_lotdecision",
            ),
            migrations.RunPython.noop,
        )
    ]
