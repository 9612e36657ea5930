import django.db.models.deletion
import uuid
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("inventory", "0015_corrections_and_recalls"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
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
                    models.CharField(help_text="Who of the owner ordered it, and how.", max_length=120),
                ),
                (
                    "reference",
                    models.CharField(blank=True, help_text="Order or purchase order number.", max_length=60),
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
                        default=dict, help_text="By code of inventory.measures.terms; absent: not agreed."
                    ),
                ),
                ("contract_number", models.CharField(blank=True, max_length=40)),
                ("begins_on", models.DateField(blank=True, null=True)),
                ("ends_on", models.DateField(blank=True, null=True)),
                ("reason", models.CharField(max_length=200)),
                (
                    "made_name",
                    models.CharField(blank=True, help_text="The name as it was then.", max_length=150),
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
                        choices=[("offered", "Renewal offered"), ("renewed", "Renewed"), ("ended", "Ended")],
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
            },
        ),
        migrations.AddIndex(
            model_name="calloff",
            index=models.Index(fields=["site", "task"], name="call_off_by_site"),
        ),
        migrations.AddConstraint(
            model_name="calloff",
            constraint=models.CheckConstraint(
                condition=models.Q(("until_on__gte", models.F("from_on"))),
                name="call_off_ordered",
                violation_error_message="The last day lies before the first.",
            ),
        ),
        migrations.AddConstraint(
            model_name="calloff",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("withdrawn_at__isnull", True),
                    models.Q(("withdrawn_reason", ""), _negated=True),
                    _connector="OR",
                ),
                name="call_off_withdrawn_says_why",
                violation_error_message="Say why it is taken back.",
            ),
        ),
        migrations.AddIndex(
            model_name="termsversion",
            index=models.Index(fields=["owner", "site", "-from_on", "-number"], name="terms_by_holder"),
        ),
        migrations.AddIndex(
            model_name="termsversion",
            index=models.Index(fields=["ends_on"], name="terms_by_end"),
        ),
        migrations.AddConstraint(
            model_name="termsversion",
            constraint=models.UniqueConstraint(
                condition=models.Q(("site__isnull", True)),
                fields=("owner", "number"),
                name="terms_number_once_per_owner",
            ),
        ),
        migrations.AddConstraint(
            model_name="termsversion",
            constraint=models.UniqueConstraint(fields=("site", "number"), name="terms_number_once_per_site"),
        ),
        migrations.AddConstraint(
            model_name="termsversion",
            constraint=models.CheckConstraint(
                condition=models.Q(("reason", ""), _negated=True),
                name="terms_say_why",
                violation_error_message="Say why the terms change.",
            ),
        ),
        migrations.AddConstraint(
            model_name="termsversion",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("ends_on__isnull", True),
                    ("begins_on__isnull", True),
                    ("ends_on__gte", models.F("begins_on")),
                    _connector="OR",
                ),
                name="terms_ordered",
                violation_error_message="The contract cannot end before it begins.",
            ),
        ),
        migrations.AddConstraint(
            model_name="contractmark",
            constraint=models.UniqueConstraint(
                condition=models.Q(("kind__in", ("renewed", "ended"))),
                fields=("version",),
                name="contract_closed_once",
                violation_error_message="This contract was renewed or ended already.",
            ),
        ),
    ]
