import django.db.models.deletion
import uuid
from django.conf import settings
from django.db import migrations, models

from inventory.appendonly import fence, fence_but_emptying, fence_but_erasing


class Migration(migrations.Migration):
    dependencies = [
        ("inventory", "0018_no_site_terms"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name="Erasure",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                (
                    "legal_basis",
                    models.CharField(help_text="The rule or contract by which it is erased.", max_length=300),
                ),
                ("reason", models.CharField(max_length=300)),
                (
                    "changed",
                    models.JSONField(default=list, help_text="Table, column and number of places changed."),
                ),
                (
                    "kept",
                    models.JSONField(default=list, help_text="What was kept, why, and until which day."),
                ),
                ("made_by_name", models.CharField(max_length=150)),
                ("made_at", models.DateTimeField()),
                (
                    "made_by",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
            ],
            options={
                "ordering": ["-id"],
            },
        ),
        migrations.CreateModel(
            name="ErasedRecord",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                (
                    "after_sequence",
                    models.PositiveIntegerField(help_text="The last record of the unit when it was made."),
                ),
                (
                    "position",
                    models.PositiveIntegerField(help_text="Among the links after that record, from 1."),
                ),
                (
                    "record_digest",
                    models.CharField(help_text="The digest that the record was made with.", max_length=64),
                ),
                (
                    "reads_as_digest",
                    models.CharField(help_text="What it gives since the erasure.", max_length=64),
                ),
                (
                    "removed",
                    models.JSONField(
                        default=list, help_text="By field: salt and SHA-256 of salt and old text."
                    ),
                ),
                ("made_at", models.DateTimeField()),
                ("previous_digest", models.CharField(max_length=64)),
                ("digest", models.CharField(max_length=64)),
                (
                    "record",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="erasures",
                        to="inventory.servicerecord",
                    ),
                ),
                (
                    "unit",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="erased_records",
                        to="inventory.unit",
                    ),
                ),
                (
                    "erasure",
                    models.ForeignKey(
                        help_text="Empty when another house did.",
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="records",
                        to="inventory.erasure",
                    ),
                ),
            ],
            options={
                "ordering": ["unit_id", "after_sequence", "position"],
            },
        ),
        migrations.CreateModel(
            name="ErasedField",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("table_name", models.CharField(max_length=60)),
                ("row_id", models.BigIntegerField()),
                ("column_name", models.CharField(max_length=60)),
                (
                    "reads_as",
                    models.TextField(blank=True, help_text="The new value, as JSON; emptied once it stands."),
                ),
                ("salt", models.CharField(max_length=32)),
                (
                    "removed_digest",
                    models.CharField(help_text="SHA-256 of the salt and the old value.", max_length=64),
                ),
                (
                    "erasure",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="fields",
                        to="inventory.erasure",
                    ),
                ),
            ],
            options={
                "ordering": ["id"],
            },
        ),
        migrations.CreateModel(
            name="RecordOrigin",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("house", models.UUIDField(help_text="The installation whose row numbers these are.")),
                ("unit", models.BigIntegerField()),
                ("site", models.BigIntegerField(null=True)),
                ("location", models.BigIntegerField(null=True)),
                ("by", models.BigIntegerField(null=True)),
                ("corrects", models.BigIntegerField(null=True)),
                (
                    "has_gap_before",
                    models.BooleanField(
                        default=False,
                        help_text="The record before it was not handed over: made at other premises.",
                    ),
                ),
                (
                    "record",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="origin",
                        to="inventory.servicerecord",
                    ),
                ),
            ],
            options={
                "ordering": ["record_id"],
            },
        ),
        migrations.CreateModel(
            name="ServiceEnd",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                ("ended_on", models.DateField(help_text="Civil date at the site.")),
                ("portal_until", models.DateField()),
                ("reason", models.CharField(max_length=300)),
                ("ended_at", models.DateTimeField()),
                ("reopened_reason", models.CharField(blank=True, max_length=300)),
                ("reopened_at", models.DateTimeField(blank=True, null=True)),
                (
                    "ended_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "reopened_by",
                    models.ForeignKey(
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "site",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="service_ends",
                        to="inventory.site",
                    ),
                ),
            ],
            options={
                "ordering": ["-id"],
            },
        ),
        migrations.AddConstraint(
            model_name="erasure",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("legal_basis", ""), _negated=True), models.Q(("reason", ""), _negated=True)
                ),
                name="erasure_founded",
                violation_error_message="Give the legal basis and the reason.",
            ),
        ),
        migrations.AddConstraint(
            model_name="erasedrecord",
            constraint=models.UniqueConstraint(
                fields=("unit", "after_sequence", "position"),
                name="erased_record_position_once",
                violation_error_message="Somebody erased on this unit a moment ago; try again.",
            ),
        ),
        migrations.AddIndex(
            model_name="erasedfield",
            index=models.Index(fields=["table_name", "row_id", "column_name"], name="erased_field_of_row"),
        ),
        migrations.AddConstraint(
            model_name="serviceend",
            constraint=models.UniqueConstraint(
                condition=models.Q(("reopened_at__isnull", True)),
                fields=("site",),
                name="service_end_standing_once",
                violation_error_message="The service of this site has ended already.",
            ),
        ),
        migrations.AddConstraint(
            model_name="serviceend",
            constraint=models.CheckConstraint(
                condition=models.Q(("portal_until__gte", models.F("ended_on"))),
                name="service_end_ordered",
                violation_error_message="The owner reads at least until the service ends.",
            ),
        ),
        migrations.AddConstraint(
            model_name="serviceend",
            constraint=models.CheckConstraint(
                condition=models.Q(("reason", ""), _negated=True),
                name="service_end_has_reason",
                violation_error_message="Say why the service ends.",
            ),
        ),
        migrations.RunPython(
            fence(
                "inventory_erasure",
                "inventory_erasedrecord",
                "inventory_recordorigin",
            ),
            migrations.RunPython.noop,
        ),
        migrations.RunPython(
            fence_but_erasing(
                "inventory_servicerecord",
                "performed_by_name",
                "instrument",
                "remarks",
                "correction_reason",
                "done_raw",
            ),
            migrations.RunPython.noop,
        ),
        migrations.RunPython(fence_but_erasing("inventory_move", "reason"), migrations.RunPython.noop),
        migrations.RunPython(fence_but_erasing("inventory_stockmove", "reason"), migrations.RunPython.noop),
        migrations.RunPython(
            fence_but_erasing(
                "inventory_factchange", "old_value", "new_value", "old_words", "new_words", "reason"
            ),
            migrations.RunPython.noop,
        ),
        migrations.RunPython(
            fence_but_erasing("inventory_sameunitdecision", "before", "reason"), migrations.RunPython.noop
        ),
        migrations.RunPython(
            fence_but_erasing("inventory_calibration", "certificate_ref"), migrations.RunPython.noop
        ),
        migrations.RunPython(
            fence_but_erasing("inventory_workshopdefault", "reason"), migrations.RunPython.noop
        ),
        migrations.RunPython(fence_but_erasing("inventory_lotdecision", "reason"), migrations.RunPython.noop),
        migrations.RunPython(fence_but_erasing("inventory_recallstep", "note"), migrations.RunPython.noop),
        migrations.RunPython(
            fence_but_erasing(
                "inventory_cardentry",
                "values",
                "sentences",
                "flags",
                "remarks",
                "made_by_name",
                "correction_reason",
            ),
            migrations.RunPython.noop,
        ),
        migrations.RunPython(
            fence_but_emptying("inventory_erasedfield", "reads_as"), migrations.RunPython.noop
        ),
        migrations.RunPython(
            fence_but_erasing("inventory_termsversion", "values", "reason", "made_name"),
            migrations.RunPython.noop,
        ),
        migrations.RunPython(
            fence_but_erasing("inventory_contractmark", "note", "made_name"), migrations.RunPython.noop
        ),
    ]
