"""Prices that were on the list count from the day on which they were last changed; steps are never changed."""

from django.db import migrations

from inventory.appendonly import fence


def first_steps(apps, schema_editor):
    item_model, step_model = apps.get_model("schedules", "PriceItem"), apps.get_model("schedules", "PriceStep")
    step_model.objects.bulk_create(
        step_model(
            item=item,
            from_on=item.changed_at.date(),
            price=item.price,
            currency=item.currency,
            made_by_id=item.changed_by_id,
            made_at=item.changed_at,
        )
        for item in item_model.objects.all()
    )


class Migration(migrations.Migration):
    dependencies = [("schedules", "0020_billing")]
    operations = [
        migrations.RunPython(fence("schedules_pricestep"), migrations.RunPython.noop),
        migrations.RunPython(first_steps, migrations.RunPython.noop),
    ]
