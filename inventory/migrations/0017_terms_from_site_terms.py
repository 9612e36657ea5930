"""The agreed month of a site becomes the first version of its terms; versions and marks are never changed."""

from django.db import migrations
from django.utils import timezone

from inventory.appendonly import fence


def copy(apps, schema_editor):
    old = apps.get_model("inventory", "SiteTerms")
    new = apps.get_model("inventory", "TermsVersion")
    now = timezone.now()
    new.objects.bulk_create(
        [
            new(
                owner_id=row.site.owner_id,
                site_id=row.site_id,
                number=1,
                from_on=row.site.created_at.date(),
                values={"service_month": str(row.service_month), "tolerance_days": row.tolerance_days},
                reason="As it was agreed before terms had versions",
                made_at=now,
            )
            for row in old.objects.filter(service_month__isnull=False).select_related("site").iterator(500)
        ],
        batch_size=500,
    )


class Migration(migrations.Migration):
    dependencies = [("inventory", "0016_terms")]
    operations = [
        migrations.RunPython(
            fence("inventory_termsversion", "inventory_contractmark"), migrations.RunPython.noop
        ),
        migrations.RunPython(copy, migrations.RunPython.noop),
    ]
