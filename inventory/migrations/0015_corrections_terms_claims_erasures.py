import django.db.models.deletion
import uuid
from django.conf import settings
from django.db import migrations, models
from django.utils import timezone

from inventory.appendonly import every, fence, fence_but_emptying, fence_but_erasing
from inventory.manytables import CreateModels


def copy_terms(apps, schema_editor):
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
    dependencies = [
        ("inventory", "0001_squashed_0014"),
    ]

    operations = [
        migrations.RemoveConstraint(
            model_name="jobcard",
            name="job_card_open_once_per_unit",
        ),
        migrations.AddField(
            model_name="owner",
            name="merged_into",
            field=models.ForeignKey(
                blank=True,
                help_text="The owner that this one turned out to be.",
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="aliases",
                to="inventory.owner",
            ),
        ),
        migrations.AddField(
            model_name="owner",
            name="notes",
            field=models.TextField(
                blank=True, help_text="For the firm's own people; the owner does not see it."
            ),
        ),
        migrations.AddField(
            model_name="site",
            name="merged_into",
            field=models.ForeignKey(
                blank=True,
                help_text="The site that took over all its places.",
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="aliases",
                to="inventory.site",
            ),
        ),
        migrations.AddField(
            model_name="site",
            name="owner_since",
            field=models.DateField(
                blank=True,
                help_text="First day of the present owner; what was recorded before is not theirs to see. Empty: from the beginning.",
                null=True,
            ),
        ),
        migrations.AddField(
            model_name="unit",
            name="facts_rank",
            field=models.PositiveSmallIntegerField(
                blank=True,
                choices=[
                    (5, "Settled by a person here"),
                    (10, "Stamp on the shell"),
                    (20, "Nameplate"),
                    (30, "Workshop record"),
                    (40, "Test label, collar or tag"),
                    (60, "Owner's list or papers"),
                    (70, "Word of mouth"),
                ],
                help_text="How good the source is of facts on which no claim says more; empty: an owner's list.",
                null=True,
            ),
        ),
        migrations.AddField(
            model_name="unit",
            name="merged_into",
            field=models.ForeignKey(
                blank=True,
                help_text="The unit that this one turned out to be; its records count there.",
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="aliases",
                to="inventory.unit",
            ),
        ),
        migrations.AlterField(
            model_name="jobcard",
            name="state",
            field=models.CharField(
                choices=[
                    ("waiting", "Waiting"),
                    ("in_work", "On the bench"),
                    ("at_test_house", "At the test house"),
                    ("to_release", "Awaits release"),
                    ("to_condemn", "Awaits a second opinion"),
                    ("released", "Ready to return"),
                    ("returned", "Returned"),
                    ("taken_back", "Taken back to the bench"),
                    ("condemned", "Condemned, to be disposed of"),
                    ("disposed", "Disposed of"),
                    ("withdrawn", "Withdrawn"),
                ],
                default="waiting",
                max_length=14,
            ),
        ),
        migrations.AlterField(
            model_name="move",
            name="from_state",
            field=models.CharField(
                choices=[
                    ("in_service", "In service"),
                    ("awaiting_recharge", "Used or failed, awaiting recharge"),
                    ("in_workshop", "In the workshop"),
                    ("at_test_house", "At an outside test house"),
                    ("ready_to_return", "Ready to return"),
                    ("loaner_free", "Loaner, free"),
                    ("loaner_out", "Loaner, out"),
                    ("not_found", "Not found"),
                    ("in_stock", "In stock"),
                    ("withdrawn", "Withdrawn"),
                    ("condemned", "Condemned"),
                    ("disposed", "Disposed"),
                    ("merged", "The same as another unit"),
                ],
                max_length=20,
            ),
        ),
        migrations.AlterField(
            model_name="move",
            name="to_state",
            field=models.CharField(
                choices=[
                    ("in_service", "In service"),
                    ("awaiting_recharge", "Used or failed, awaiting recharge"),
                    ("in_workshop", "In the workshop"),
                    ("at_test_house", "At an outside test house"),
                    ("ready_to_return", "Ready to return"),
                    ("loaner_free", "Loaner, free"),
                    ("loaner_out", "Loaner, out"),
                    ("not_found", "Not found"),
                    ("in_stock", "In stock"),
                    ("withdrawn", "Withdrawn"),
                    ("condemned", "Condemned"),
                    ("disposed", "Disposed"),
                    ("merged", "The same as another unit"),
                ],
                max_length=20,
            ),
        ),
        migrations.AlterField(
            model_name="unit",
            name="state",
            field=models.CharField(
                choices=[
                    ("in_service", "In service"),
                    ("awaiting_recharge", "Used or failed, awaiting recharge"),
                    ("in_workshop", "In the workshop"),
                    ("at_test_house", "At an outside test house"),
                    ("ready_to_return", "Ready to return"),
                    ("loaner_free", "Loaner, free"),
                    ("loaner_out", "Loaner, out"),
                    ("not_found", "Not found"),
                    ("in_stock", "In stock"),
                    ("withdrawn", "Withdrawn"),
                    ("condemned", "Condemned"),
                    ("disposed", "Disposed"),
                    ("merged", "The same as another unit"),
                ],
                default="in_service",
                max_length=20,
            ),
        ),
        CreateModels(
            [
                migrations.CreateModel(
                    name="CallOff",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                        (
                            "task",
                            models.CharField(
                                choices=[
                                    ("visual_inspection", "Visual inspection"),
                                    ("maintenance", "Maintenance"),
                                    ("weighing", "Weighing"),
                                    ("conductivity_test", "Hose conductivity test"),
                                    ("internal_examination", "Internal examination"),
                                    ("extended_service", "Extended service"),
                                    ("workshop_service", "Workshop service"),
                                    ("discharge_test", "Discharge test"),
                                    ("recharge", "Recharge"),
                                    ("hydrostatic_test", "Hydrostatic test"),
                                    ("hose_test", "Hose pressure test"),
                                    ("requalification", "Requalification"),
                                    ("retirement", "Retirement"),
                                ],
                                max_length=24,
                            ),
                        ),
                        ("from_on", models.DateField()),
                        ("until_on", models.DateField()),
                        (
                            "ordered_by",
                            models.CharField(
                                help_text="Who of the owner ordered it, and how.", max_length=120
                            ),
                        ),
                        (
                            "reference",
                            models.CharField(
                                blank=True, help_text="Order or purchase order number.", max_length=60
                            ),
                        ),
                        ("made_at", models.DateTimeField()),
                        ("withdrawn_at", models.DateTimeField(blank=True, null=True)),
                        ("withdrawn_reason", models.CharField(blank=True, max_length=200)),
                        (
                            "made_by",
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
                                related_name="call_offs",
                                to="inventory.site",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["site_id", "-from_on", "-id"],
                        "indexes": [models.Index(fields=["site", "task"], name="call_off_by_site")],
                        "constraints": [
                            models.CheckConstraint(
                                condition=models.Q(("until_on__gte", models.F("from_on"))),
                                name="call_off_ordered",
                                violation_error_message="The last day lies before the first.",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(
                                    ("withdrawn_at__isnull", True),
                                    models.Q(("withdrawn_reason", ""), _negated=True),
                                    _connector="OR",
                                ),
                                name="call_off_withdrawn_says_why",
                                violation_error_message="Say why it is taken back.",
                            ),
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="Claim",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                        (
                            "fact",
                            models.CharField(
                                choices=[
                                    ("serial", "Serial"),
                                    ("made", "Made"),
                                    ("commissioned_on", "In service since"),
                                    ("maker", "Maker"),
                                    ("name", "Model"),
                                    ("agent", "Agent"),
                                    ("construction", "Construction"),
                                    ("shell", "Shell"),
                                    ("cylinder_spec", "Cylinder specification"),
                                    ("charge", "Charge"),
                                    ("water_capacity_ml", "Water capacity"),
                                    ("working_pressure_kpa", "Working pressure"),
                                    ("test_pressure_kpa", "Test pressure"),
                                    ("full_mass_g", "Gross mass when full"),
                                    ("is_wheeled", "Wheeled"),
                                    ("is_refillable", "Refillable"),
                                    ("has_shutoff_hose", "Hose with shut-off"),
                                ],
                                max_length=24,
                            ),
                        ),
                        (
                            "value",
                            models.CharField(
                                help_text="As JSON, in the form in which the register keeps it.",
                                max_length=250,
                            ),
                        ),
                        ("shown", models.CharField(help_text="As a person reads it.", max_length=200)),
                        (
                            "rank",
                            models.PositiveSmallIntegerField(
                                choices=[
                                    (5, "Settled by a person here"),
                                    (10, "Stamp on the shell"),
                                    (20, "Nameplate"),
                                    (30, "Workshop record"),
                                    (40, "Test label, collar or tag"),
                                    (60, "Owner's list or papers"),
                                    (70, "Word of mouth"),
                                ]
                            ),
                        ),
                        (
                            "source",
                            models.CharField(
                                blank=True, help_text="Whose file or word it was.", max_length=120
                            ),
                        ),
                        ("said_on", models.DateField(blank=True, null=True)),
                        ("import_ref", models.UUIDField(blank=True, db_index=True, null=True)),
                        ("made_at", models.DateTimeField()),
                        (
                            "is_standing",
                            models.BooleanField(default=False, help_text="The register goes by this one."),
                        ),
                        ("settled_at", models.DateTimeField(blank=True, null=True)),
                        ("settled_how", models.CharField(blank=True, max_length=200)),
                        (
                            "made_by",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                        (
                            "settled_by",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                        (
                            "unit",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="claims",
                                to="inventory.unit",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["unit_id", "fact", "rank", "id"],
                        "indexes": [
                            models.Index(
                                condition=models.Q(("is_standing", False), ("settled_at__isnull", True)),
                                fields=["unit", "fact"],
                                name="claim_open",
                            )
                        ],
                        "constraints": [
                            models.UniqueConstraint(
                                fields=("unit", "fact", "value", "rank", "source"), name="claim_once"
                            ),
                            models.UniqueConstraint(
                                condition=models.Q(("is_standing", True)),
                                fields=("unit", "fact"),
                                name="claim_one_stands",
                                violation_error_message="Another claim on this fact stands already.",
                            ),
                        ],
                    },
                ),
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
                            models.CharField(
                                help_text="The rule or contract by which it is erased.", max_length=300
                            ),
                        ),
                        ("reason", models.CharField(max_length=300)),
                        (
                            "changed",
                            models.JSONField(
                                default=list, help_text="Table, column and number of places changed."
                            ),
                        ),
                        (
                            "kept",
                            models.JSONField(
                                default=list, help_text="What was kept, why, and until which day."
                            ),
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
                        "constraints": [
                            models.CheckConstraint(
                                condition=models.Q(
                                    models.Q(("legal_basis", ""), _negated=True),
                                    models.Q(("reason", ""), _negated=True),
                                ),
                                name="erasure_founded",
                                violation_error_message="Give the legal basis and the reason.",
                            )
                        ],
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
                            models.TextField(
                                blank=True, help_text="The new value, as JSON; emptied once it stands."
                            ),
                        ),
                        ("salt", models.CharField(max_length=32)),
                        (
                            "removed_digest",
                            models.CharField(
                                help_text="SHA-256 of the salt and the old value.", max_length=64
                            ),
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
                        "indexes": [
                            models.Index(
                                fields=["table_name", "row_id", "column_name"], name="erased_field_of_row"
                            )
                        ],
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
                            models.PositiveIntegerField(
                                help_text="The last record of the unit when it was made."
                            ),
                        ),
                        (
                            "position",
                            models.PositiveIntegerField(
                                help_text="Among the links after that record, from 1."
                            ),
                        ),
                        (
                            "record_digest",
                            models.CharField(
                                help_text="The digest that the record was made with.", max_length=64
                            ),
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
                        "constraints": [
                            models.UniqueConstraint(
                                fields=("unit", "after_sequence", "position"),
                                name="erased_record_position_once",
                                violation_error_message="Somebody erased on this unit a moment ago; try again.",
                            )
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="FactChange",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        (
                            "together",
                            models.UUIDField(db_index=True, help_text="Changes that were saved as one."),
                        ),
                        ("field", models.CharField(max_length=40)),
                        (
                            "old_value",
                            models.TextField(
                                blank=True, help_text="As stored, written as text; empty for nothing."
                            ),
                        ),
                        ("new_value", models.TextField(blank=True)),
                        ("old_words", models.TextField(blank=True, help_text="As people read it.")),
                        ("new_words", models.TextField(blank=True)),
                        (
                            "is_correction",
                            models.BooleanField(
                                default=True,
                                help_text="It was wrong before; otherwise it was right and has changed since.",
                            ),
                        ),
                        ("reason", models.CharField(max_length=300)),
                        (
                            "source",
                            models.CharField(
                                blank=True,
                                choices=[
                                    ("shell_stamp", "Stamp on the shell"),
                                    ("nameplate", "Nameplate or label"),
                                    ("service_tag", "Service tag or collar"),
                                    ("owner_paper", "Owner's papers"),
                                    ("maker", "The maker's documents"),
                                    ("owner_word", "Word of the owner"),
                                    ("on_site", "Seen on site"),
                                    ("other", "Other; see the reason"),
                                ],
                                max_length=12,
                            ),
                        ),
                        ("made_at", models.DateTimeField(help_text="Server instant, UTC.")),
                        (
                            "changed_by",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                        (
                            "location",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="fact_changes",
                                to="inventory.location",
                            ),
                        ),
                        (
                            "owner",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="fact_changes",
                                to="inventory.owner",
                            ),
                        ),
                        (
                            "site",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="fact_changes",
                                to="inventory.site",
                            ),
                        ),
                        (
                            "unit",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="fact_changes",
                                to="inventory.unit",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["-id"],
                        "constraints": [
                            models.CheckConstraint(
                                condition=models.Q(
                                    models.Q(
                                        ("location", None),
                                        ("owner", None),
                                        ("site", None),
                                        ("unit__isnull", False),
                                    ),
                                    models.Q(
                                        ("location", None),
                                        ("owner", None),
                                        ("site__isnull", False),
                                        ("unit", None),
                                    ),
                                    models.Q(
                                        ("location", None),
                                        ("owner__isnull", False),
                                        ("site", None),
                                        ("unit", None),
                                    ),
                                    models.Q(
                                        ("location__isnull", False),
                                        ("owner", None),
                                        ("site", None),
                                        ("unit", None),
                                    ),
                                    _connector="OR",
                                ),
                                name="fact_change_of_one_thing",
                                violation_error_message="A change is of one unit, site, owner or location.",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(("reason", ""), _negated=True),
                                name="fact_change_has_reason",
                                violation_error_message="Say why it is changed.",
                            ),
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="LocationAlias",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("number", models.CharField(max_length=30)),
                        ("made_at", models.DateTimeField()),
                        (
                            "location",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="aliases",
                                to="inventory.location",
                            ),
                        ),
                        (
                            "made_by",
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
                                related_name="location_aliases",
                                to="inventory.site",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["site_id", "number", "id"],
                        "constraints": [
                            models.UniqueConstraint(
                                fields=("site", "number"),
                                name="location_alias_once_per_site",
                                violation_error_message="Another place of this site had this number before.",
                            )
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="OwnerChange",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                        ("from_on", models.DateField(help_text="First civil day of the new owner.")),
                        ("reason", models.CharField(max_length=300)),
                        ("made_at", models.DateTimeField()),
                        (
                            "applied_at",
                            models.DateTimeField(
                                help_text="When it took effect here; empty while it is ahead.", null=True
                            ),
                        ),
                        (
                            "dropped_at",
                            models.DateTimeField(
                                help_text="When it was called off before it took effect.", null=True
                            ),
                        ),
                        (
                            "decided_by",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                        (
                            "from_owner",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to="inventory.owner",
                            ),
                        ),
                        (
                            "site",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="owner_changes",
                                to="inventory.site",
                            ),
                        ),
                        (
                            "to_owner",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to="inventory.owner",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["-from_on", "-id"],
                        "constraints": [
                            models.UniqueConstraint(
                                condition=models.Q(
                                    ("applied_at__isnull", True), ("dropped_at__isnull", True)
                                ),
                                fields=("site",),
                                name="owner_change_ahead_once",
                                violation_error_message="A change of owner is planned here already. Call it off first.",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(("from_owner", models.F("to_owner")), _negated=True),
                                name="owner_change_of_two",
                                violation_error_message="The site belongs to this owner already.",
                            ),
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="Recall",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                        ("client_ref", models.UUIDField(help_text="A resend meets it.", unique=True)),
                        ("number", models.CharField(max_length=20, unique=True)),
                        ("title", models.CharField(max_length=120)),
                        (
                            "notice",
                            models.TextField(
                                help_text="What is wrong and what is to be done, as people read it."
                            ),
                        ),
                        (
                            "source",
                            models.CharField(
                                blank=True, help_text="Who gave the notice, with its number.", max_length=200
                            ),
                        ),
                        ("maker", models.CharField(blank=True, max_length=100)),
                        ("model_name", models.CharField(blank=True, max_length=120)),
                        (
                            "agent",
                            models.CharField(
                                blank=True,
                                choices=[
                                    ("water", "Water"),
                                    ("water_antifreeze", "Water with antifreeze"),
                                    ("wetting_agent", "Wetting agent"),
                                    ("water_mist", "Water mist"),
                                    ("loaded_stream", "Loaded stream"),
                                    ("soda_acid", "Soda acid"),
                                    ("chemical_foam", "Chemical foam"),
                                    ("foam", "Mechanical foam"),
                                    ("afff", "AFFF"),
                                    ("fffp", "FFFP"),
                                    ("wet_chemical", "Wet chemical"),
                                    ("dry_chemical_abc", "Dry chemical ABC"),
                                    ("dry_chemical_bc", "Dry chemical BC"),
                                    ("dry_powder_d", "Dry powder (metal fires)"),
                                    ("carbon_dioxide", "Carbon dioxide"),
                                    ("halon_1211", "Halon 1211"),
                                    ("halon_1301", "Halon 1301"),
                                    ("clean_agent", "Clean agent"),
                                    ("unknown", "Unknown agent"),
                                ],
                                max_length=24,
                            ),
                        ),
                        ("made_from", models.DateField(blank=True, null=True)),
                        ("made_to", models.DateField(blank=True, null=True)),
                        ("serial_from", models.CharField(blank=True, max_length=60)),
                        ("serial_to", models.CharField(blank=True, max_length=60)),
                        (
                            "state",
                            models.CharField(
                                choices=[("open", "Open"), ("closed", "Closed")], default="open", max_length=6
                            ),
                        ),
                        ("opened_at", models.DateTimeField()),
                        ("closed_at", models.DateTimeField(blank=True, null=True)),
                        ("closing_note", models.CharField(blank=True, max_length=300)),
                        (
                            "closed_by",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                        (
                            "lot",
                            models.ForeignKey(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="recalls",
                                to="inventory.lot",
                            ),
                        ),
                        (
                            "opened_by",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["-opened_at", "-id"],
                        "constraints": [
                            models.CheckConstraint(
                                condition=models.Q(
                                    ("made_from__isnull", True),
                                    ("made_to__isnull", True),
                                    ("made_to__gte", models.F("made_from")),
                                    _connector="OR",
                                ),
                                name="recall_made_ordered",
                                violation_error_message="The last build date lies before the first.",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(
                                    models.Q(("state", "closed"), _negated=True),
                                    models.Q(
                                        ("closed_at__isnull", False),
                                        models.Q(("closing_note", ""), _negated=True),
                                    ),
                                    _connector="OR",
                                ),
                                name="recall_closed_says_why",
                                violation_error_message="Say with what the recall is closed.",
                            ),
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="RecallUnit",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                        (
                            "certainty",
                            models.CharField(
                                choices=[("certain", "Certainly"), ("possible", "Possibly")], max_length=8
                            ),
                        ),
                        ("why", models.CharField(max_length=300)),
                        (
                            "state",
                            models.CharField(
                                choices=[
                                    ("open", "To be found"),
                                    ("found", "Found"),
                                    ("done", "Done"),
                                    ("gone", "Gone"),
                                    ("not_found", "Not found"),
                                    ("cleared", "Not concerned"),
                                ],
                                default="open",
                                max_length=9,
                            ),
                        ),
                        ("version", models.PositiveIntegerField(default=1)),
                        (
                            "recall",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="units",
                                to="inventory.recall",
                            ),
                        ),
                        (
                            "unit",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="recalls",
                                to="inventory.unit",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["recall_id", "id"],
                        "indexes": [models.Index(fields=["recall", "state"], name="recall_unit_by_state")],
                        "constraints": [
                            models.UniqueConstraint(fields=("recall", "unit"), name="recall_unit_once")
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="RecallStep",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        (
                            "from_state",
                            models.CharField(
                                choices=[
                                    ("open", "To be found"),
                                    ("found", "Found"),
                                    ("done", "Done"),
                                    ("gone", "Gone"),
                                    ("not_found", "Not found"),
                                    ("cleared", "Not concerned"),
                                ],
                                max_length=9,
                            ),
                        ),
                        (
                            "to_state",
                            models.CharField(
                                choices=[
                                    ("open", "To be found"),
                                    ("found", "Found"),
                                    ("done", "Done"),
                                    ("gone", "Gone"),
                                    ("not_found", "Not found"),
                                    ("cleared", "Not concerned"),
                                ],
                                max_length=9,
                            ),
                        ),
                        ("note", models.CharField(blank=True, max_length=300)),
                        ("made_at", models.DateTimeField()),
                        (
                            "made_by",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                        (
                            "recall_unit",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="steps",
                                to="inventory.recallunit",
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
                        (
                            "house",
                            models.UUIDField(help_text="The installation whose row numbers these are."),
                        ),
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
                    name="SameUnitDecision",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                        (
                            "verdict",
                            models.CharField(
                                choices=[
                                    ("same", "The same unit"),
                                    ("apart", "Two units"),
                                    ("undone", "Merging taken back"),
                                ],
                                max_length=6,
                            ),
                        ),
                        (
                            "before",
                            models.JSONField(
                                default=dict,
                                help_text="Where both were before, so that it can be taken back.",
                            ),
                        ),
                        ("reason", models.CharField(max_length=300)),
                        ("made_at", models.DateTimeField(help_text="Server instant, UTC.")),
                        (
                            "alias",
                            models.ForeignKey(
                                help_text="The one that gave way.",
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="decisions_as_alias",
                                to="inventory.unit",
                            ),
                        ),
                        (
                            "decided_by",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                        (
                            "survivor",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="decisions_as_survivor",
                                to="inventory.unit",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["-id"],
                        "constraints": [
                            models.CheckConstraint(
                                condition=models.Q(("alias", models.F("survivor")), _negated=True),
                                name="same_unit_of_two",
                                violation_error_message="Choose two different units.",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(("reason", ""), _negated=True),
                                name="same_unit_has_reason",
                                violation_error_message="Say how it is known.",
                            ),
                        ],
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
                        "constraints": [
                            models.UniqueConstraint(
                                condition=models.Q(("reopened_at__isnull", True)),
                                fields=("site",),
                                name="service_end_standing_once",
                                violation_error_message="The service of this site has ended already.",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(("portal_until__gte", models.F("ended_on"))),
                                name="service_end_ordered",
                                violation_error_message="The owner reads at least until the service ends.",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(("reason", ""), _negated=True),
                                name="service_end_has_reason",
                                violation_error_message="Say why the service ends.",
                            ),
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="TermsVersion",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                        (
                            "number",
                            models.PositiveIntegerField(
                                help_text="Rises by one with every version of the owner or site."
                            ),
                        ),
                        ("from_on", models.DateField(help_text="First civil day on which it holds.")),
                        (
                            "values",
                            models.JSONField(
                                default=dict,
                                help_text="By code of inventory.measures.terms; absent: not agreed.",
                            ),
                        ),
                        ("contract_number", models.CharField(blank=True, max_length=40)),
                        ("begins_on", models.DateField(blank=True, null=True)),
                        ("ends_on", models.DateField(blank=True, null=True)),
                        ("reason", models.CharField(max_length=200)),
                        (
                            "made_name",
                            models.CharField(
                                blank=True, help_text="The name as it was then.", max_length=150
                            ),
                        ),
                        ("made_at", models.DateTimeField()),
                        (
                            "made_by",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                        (
                            "owner",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="terms",
                                to="inventory.owner",
                            ),
                        ),
                        (
                            "site",
                            models.ForeignKey(
                                blank=True,
                                help_text="Empty: all of the owner.",
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="terms",
                                to="inventory.site",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["owner_id", "site_id", "-from_on", "-number"],
                        "indexes": [
                            models.Index(
                                fields=["owner", "site", "-from_on", "-number"], name="terms_by_holder"
                            ),
                            models.Index(fields=["ends_on"], name="terms_by_end"),
                        ],
                        "constraints": [
                            models.UniqueConstraint(
                                condition=models.Q(("site__isnull", True)),
                                fields=("owner", "number"),
                                name="terms_number_once_per_owner",
                            ),
                            models.UniqueConstraint(
                                fields=("site", "number"), name="terms_number_once_per_site"
                            ),
                            models.CheckConstraint(
                                condition=models.Q(("reason", ""), _negated=True),
                                name="terms_say_why",
                                violation_error_message="Say why the terms change.",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(
                                    ("ends_on__isnull", True),
                                    ("begins_on__isnull", True),
                                    ("ends_on__gte", models.F("begins_on")),
                                    _connector="OR",
                                ),
                                name="terms_ordered",
                                violation_error_message="The contract cannot end before it begins.",
                            ),
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="ContractMark",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        (
                            "kind",
                            models.CharField(
                                choices=[
                                    ("offered", "Renewal offered"),
                                    ("renewed", "Renewed"),
                                    ("ended", "Ended"),
                                ],
                                max_length=8,
                            ),
                        ),
                        ("on", models.DateField()),
                        ("note", models.CharField(blank=True, max_length=300)),
                        ("made_name", models.CharField(blank=True, max_length=150)),
                        ("made_at", models.DateTimeField()),
                        (
                            "made_by",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                        (
                            "successor",
                            models.ForeignKey(
                                blank=True,
                                help_text="The terms after it.",
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to="inventory.termsversion",
                            ),
                        ),
                        (
                            "version",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="marks",
                                to="inventory.termsversion",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["id"],
                        "constraints": [
                            models.UniqueConstraint(
                                condition=models.Q(("kind__in", ("renewed", "ended"))),
                                fields=("version",),
                                name="contract_closed_once",
                                violation_error_message="This contract was renewed or ended already.",
                            )
                        ],
                    },
                ),
            ]
        ),
        migrations.RunPython(
            every(
                fence("inventory_factchange", "inventory_sameunitdecision", "inventory_recallstep"),
                fence("inventory_termsversion", "inventory_contractmark"),
                fence("inventory_erasure", "inventory_erasedrecord", "inventory_recordorigin"),
                fence_but_erasing(
                    "inventory_servicerecord",
                    "performed_by_name",
                    "instrument",
                    "remarks",
                    "correction_reason",
                    "done_raw",
                ),
                fence_but_erasing("inventory_move", "reason"),
                fence_but_erasing("inventory_stockmove", "reason"),
                fence_but_erasing(
                    "inventory_factchange", "old_value", "new_value", "old_words", "new_words", "reason"
                ),
                fence_but_erasing("inventory_sameunitdecision", "before", "reason"),
                fence_but_erasing("inventory_calibration", "certificate_ref"),
                fence_but_erasing("inventory_workshopdefault", "reason"),
                fence_but_erasing("inventory_lotdecision", "reason"),
                fence_but_erasing("inventory_recallstep", "note"),
                fence_but_erasing(
                    "inventory_cardentry",
                    "values",
                    "sentences",
                    "flags",
                    "remarks",
                    "made_by_name",
                    "correction_reason",
                ),
                fence_but_emptying("inventory_erasedfield", "reads_as"),
                fence_but_erasing("inventory_termsversion", "values", "reason", "made_name"),
                fence_but_erasing("inventory_contractmark", "note", "made_name"),
            ),
            migrations.RunPython.noop,
        ),
        migrations.RunPython(copy_terms, migrations.RunPython.noop),
        migrations.AddConstraint(
            model_name="jobcard",
            constraint=models.UniqueConstraint(
                condition=models.Q(
                    (
                        "state__in",
                        (
                            "waiting",
                            "in_work",
                            "at_test_house",
                            "to_release",
                            "to_condemn",
                            "released",
                            "condemned",
                        ),
                    )
                ),
                fields=("unit",),
                name="job_card_open_once_per_unit",
                violation_error_message="This unit already has an open job card.",
            ),
        ),
        migrations.DeleteModel(
            name="SiteTerms",
        ),
    ]
