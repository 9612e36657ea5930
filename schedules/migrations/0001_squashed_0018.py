import datetime
import django.db.models.deletion
import django.db.models.expressions
import uuid
from decimal import Decimal
from django.conf import settings
from django.db import migrations, models

from inventory.appendonly import fence
from inventory.manytables import CreateModels


class Migration(migrations.Migration):
    replaces = [
        ("schedules", "0001_initial"),
        ("schedules", "0002_append_only"),
        ("schedules", "0003_rule_variations"),
        ("schedules", "0004_crew_and_routes"),
        ("schedules", "0005_plan_history"),
        ("schedules", "0006_field_acts"),
        ("schedules", "0007_act_history"),
        ("schedules", "0008_site_tally"),
        ("schedules", "0009_outlook_and_travel"),
        ("schedules", "0010_figures_history"),
        ("schedules", "0011_absence_void"),
        ("schedules", "0012_deferred_index"),
        ("schedules", "0013_outlook_ways"),
        ("schedules", "0014_outlook_booked_visit"),
        ("schedules", "0015_certificates_of_periods"),
        ("schedules", "0016_quotations_and_months"),
        ("schedules", "0017_decision_history"),
        ("schedules", "0018_forecast_runs"),
    ]

    initial = True

    dependencies = [
        ("inventory", "0001_squashed_0014"),
        ("servicedesk", "0001_squashed_people"),
    ]

    operations = [
        CreateModels(
            [
                migrations.CreateModel(
                    name="Freshness",
                    fields=[
                        (
                            "unit",
                            models.OneToOneField(
                                on_delete=django.db.models.deletion.CASCADE,
                                primary_key=True,
                                related_name="freshness",
                                serialize=False,
                                to="inventory.unit",
                            ),
                        ),
                        ("facts_revision", models.PositiveIntegerField()),
                        ("rulebook_digest", models.CharField(max_length=64)),
                        ("recheck_on", models.DateField(null=True)),
                        ("computed_at", models.DateTimeField()),
                    ],
                ),
                migrations.CreateModel(
                    name="SiteTally",
                    fields=[
                        (
                            "site",
                            models.OneToOneField(
                                on_delete=django.db.models.deletion.CASCADE,
                                primary_key=True,
                                related_name="tally",
                                serialize=False,
                                to="inventory.site",
                            ),
                        ),
                        ("counted_on", models.DateField()),
                        (
                            "recount_on",
                            models.DateField(
                                help_text="From this day the passing of days alone cannot tell the counts.",
                                null=True,
                            ),
                        ),
                        ("overdue", models.PositiveIntegerField(default=0)),
                        ("due", models.PositiveIntegerField(default=0)),
                        ("in_date", models.PositiveIntegerField(default=0)),
                        ("unknown", models.PositiveIntegerField(default=0)),
                        ("uncovered", models.PositiveIntegerField(default=0)),
                        ("no_date", models.PositiveIntegerField(default=0)),
                        ("look_overdue", models.PositiveIntegerField(default=0)),
                        ("look_due", models.PositiveIntegerField(default=0)),
                        ("look_in_date", models.PositiveIntegerField(default=0)),
                        ("look_unknown", models.PositiveIntegerField(default=0)),
                        ("look_uncovered", models.PositiveIntegerField(default=0)),
                        ("look_no_date", models.PositiveIntegerField(default=0)),
                    ],
                ),
                migrations.CreateModel(
                    name="Skill",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                        ("name", models.CharField(max_length=80, unique=True)),
                        ("note", models.CharField(blank=True, max_length=200)),
                    ],
                    options={
                        "ordering": ["name", "id"],
                    },
                ),
                migrations.CreateModel(
                    name="BundlingFigures",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("values", models.JSONField(help_text="What differs from the defaults, by name.")),
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
                    ],
                    options={
                        "ordering": ["id"],
                    },
                ),
                migrations.CreateModel(
                    name="CrewMember",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        (
                            "starts_from",
                            models.CharField(
                                choices=[("depot", "The depot"), ("home", "Home")],
                                default="depot",
                                max_length=5,
                            ),
                        ),
                        (
                            "ends_at",
                            models.CharField(
                                choices=[("depot", "The depot"), ("home", "Home")],
                                default="depot",
                                max_length=5,
                            ),
                        ),
                        (
                            "home_place",
                            models.CharField(
                                blank=True, help_text="Town or street, for the sheet.", max_length=120
                            ),
                        ),
                        (
                            "home_latitude",
                            models.DecimalField(blank=True, decimal_places=6, max_digits=9, null=True),
                        ),
                        (
                            "home_longitude",
                            models.DecimalField(blank=True, decimal_places=6, max_digits=9, null=True),
                        ),
                        ("lunch_minutes", models.PositiveSmallIntegerField(default=30)),
                        ("lunch_from", models.TimeField(default=datetime.time(11, 30))),
                        (
                            "lunch_until",
                            models.TimeField(
                                default=datetime.time(13, 30),
                                help_text="The latest time at which lunch starts.",
                            ),
                        ),
                        (
                            "overtime_minutes",
                            models.PositiveSmallIntegerField(
                                default=30, help_text="At most this much a day."
                            ),
                        ),
                        (
                            "is_planned",
                            models.BooleanField(default=True, help_text="Takes part in new plans."),
                        ),
                        ("version", models.PositiveIntegerField(default=1)),
                        (
                            "depot",
                            models.ForeignKey(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="crew",
                                to="inventory.depot",
                            ),
                        ),
                        (
                            "technician",
                            models.OneToOneField(
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="crew",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["technician_id"],
                        "constraints": [
                            models.CheckConstraint(
                                condition=models.Q(
                                    models.Q(
                                        ("home_latitude__isnull", True), ("home_longitude__isnull", True)
                                    ),
                                    models.Q(
                                        ("home_latitude__gte", -90),
                                        ("home_latitude__lte", 90),
                                        ("home_longitude__gte", -180),
                                        ("home_longitude__lte", 180),
                                    ),
                                    _connector="OR",
                                ),
                                name="crew_home_on_earth",
                                violation_error_message="Enter latitude (-90 to 90) and longitude (-180 to 180) of the home, or neither.",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(("lunch_until__gte", models.F("lunch_from"))),
                                name="crew_lunch_ordered",
                                violation_error_message="The latest start of lunch lies before the earliest.",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(("lunch_minutes__lte", 180)),
                                name="crew_lunch_length",
                                violation_error_message="Lunch takes at most 180 minutes.",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(("overtime_minutes__lte", 480)),
                                name="crew_overtime_length",
                                violation_error_message="Overtime is at most 480 minutes a day.",
                            ),
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="Absence",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                        (
                            "kind",
                            models.CharField(
                                choices=[
                                    ("ill", "Ill"),
                                    ("leave", "On leave"),
                                    ("training", "In training"),
                                    ("other", "Other work"),
                                ],
                                default="leave",
                                max_length=8,
                            ),
                        ),
                        ("first_on", models.DateField()),
                        ("last_on", models.DateField()),
                        (
                            "from_time",
                            models.TimeField(
                                blank=True, help_text="On the first day; empty means all day.", null=True
                            ),
                        ),
                        ("note", models.CharField(blank=True, max_length=200)),
                        (
                            "is_void",
                            models.BooleanField(default=False, help_text="Taken back; it does not count."),
                        ),
                        ("created_at", models.DateTimeField(auto_now_add=True)),
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
                            "member",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="absences",
                                to="schedules.crewmember",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["first_on", "id"],
                        "indexes": [models.Index(fields=["member", "first_on"], name="absence_by_member")],
                        "constraints": [
                            models.CheckConstraint(
                                condition=models.Q(("last_on__gte", models.F("first_on"))),
                                name="absence_ordered",
                                violation_error_message="The last day of an absence lies before its first.",
                            )
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="DoubtLimit",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("name", models.CharField(max_length=40, unique=True)),
                        ("value", models.FloatField()),
                        ("changed_at", models.DateTimeField()),
                        (
                            "changed_by",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                    ],
                ),
                migrations.CreateModel(
                    name="ForecastRun",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                        (
                            "key",
                            models.CharField(
                                help_text="Digest of what is wanted and the day.", max_length=64, unique=True
                            ),
                        ),
                        ("wanted", models.JSONField()),
                        ("first_on", models.DateField()),
                        ("last_on", models.DateField()),
                        ("units_total", models.PositiveIntegerField()),
                        ("units_done", models.PositiveIntegerField(default=0)),
                        (
                            "last_unit",
                            models.PositiveBigIntegerField(
                                default=0, help_text="Id of the last unit that is counted."
                            ),
                        ),
                        ("counts", models.JSONField(default=dict)),
                        ("is_stopped", models.BooleanField(default=False)),
                        ("claimed_until", models.DateTimeField(blank=True, null=True)),
                        ("asked_at", models.DateTimeField()),
                        ("finished_at", models.DateTimeField(blank=True, null=True)),
                        (
                            "asked_by",
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
                    name="Obligation",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("table_key", models.CharField(max_length=60)),
                        ("table_version", models.CharField(max_length=20)),
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
                        ("rule_id", models.CharField(max_length=80)),
                        ("earliest_on", models.DateField(null=True)),
                        ("target_on", models.DateField(null=True)),
                        ("latest_on", models.DateField(null=True)),
                        (
                            "knowledge",
                            models.CharField(
                                help_text="A code of schedules.engine.Knowledge.", max_length=24
                            ),
                        ),
                        (
                            "is_deferred",
                            models.BooleanField(
                                default=False,
                                help_text="A full unit may stay as it is past the date, but must not be filled again.",
                            ),
                        ),
                        (
                            "is_binding",
                            models.BooleanField(
                                default=True, help_text="Earliest latest date among the unit's tables."
                            ),
                        ),
                        ("computed_at", models.DateTimeField()),
                        (
                            "site",
                            models.ForeignKey(
                                db_index=False,
                                null=True,
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="obligations",
                                to="inventory.site",
                            ),
                        ),
                        (
                            "unit",
                            models.ForeignKey(
                                db_index=False,
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="obligations",
                                to="inventory.unit",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["latest_on", "unit_id", "id"],
                        "indexes": [
                            models.Index(fields=["site", "latest_on"], name="obligation_by_site"),
                            models.Index(fields=["latest_on", "id"], name="obligation_by_latest"),
                            models.Index(fields=["task", "latest_on"], name="obligation_by_task"),
                            models.Index(
                                condition=models.Q(("knowledge", "unknown_basis")),
                                fields=["latest_on"],
                                name="obligation_unknown",
                            ),
                            models.Index(
                                condition=models.Q(("knowledge", "uncovered")),
                                fields=["site"],
                                name="obligation_uncovered",
                            ),
                            models.Index(
                                condition=models.Q(("is_deferred", True)),
                                fields=["latest_on"],
                                name="obligation_deferred",
                            ),
                        ],
                        "constraints": [
                            models.UniqueConstraint(
                                fields=("unit", "table_key", "task"), name="obligation_once"
                            )
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="Outlook",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                        (
                            "state",
                            models.CharField(
                                choices=[
                                    ("waiting", "Waiting for a worker"),
                                    ("running", "Being worked out"),
                                    ("done", "Done"),
                                    ("stopped", "Stopped"),
                                    ("failed", "Failed"),
                                ],
                                default="waiting",
                                max_length=8,
                            ),
                        ),
                        ("first_on", models.DateField()),
                        ("last_on", models.DateField()),
                        ("sites_total", models.PositiveIntegerField(default=0)),
                        ("sites_done", models.PositiveIntegerField(default=0)),
                        (
                            "figures",
                            models.JSONField(
                                default=dict, help_text="Caps and weights as they stood, by name."
                            ),
                        ),
                        (
                            "totals",
                            models.JSONField(
                                default=dict, help_text="Trips, habit, life lost, over all sites."
                            ),
                        ),
                        (
                            "level",
                            models.JSONField(
                                default=dict, help_text="Load by week before and after, and the proved bound."
                            ),
                        ),
                        ("is_stop_asked", models.BooleanField(default=False)),
                        ("claim", models.UUIDField(blank=True, null=True)),
                        ("heard_at", models.DateTimeField(blank=True, null=True)),
                        ("tries", models.PositiveSmallIntegerField(default=0)),
                        ("error", models.CharField(blank=True, max_length=300)),
                        ("created_at", models.DateTimeField(auto_now_add=True)),
                        ("finished_at", models.DateTimeField(blank=True, null=True)),
                        (
                            "asked_by",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["-id"],
                        "constraints": [
                            models.UniqueConstraint(
                                condition=models.Q(("state", "running")),
                                fields=("state",),
                                name="outlook_one_running",
                                violation_error_message="The outlook is already being worked out.",
                            )
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="OutlookSite",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("trips", models.PositiveSmallIntegerField()),
                        ("habit_trips", models.PositiveSmallIntegerField()),
                        (
                            "lost_permille",
                            models.PositiveIntegerField(
                                help_text="Thrown away of all intervals, thousandths."
                            ),
                        ),
                        ("margin_days", models.IntegerField(null=True)),
                        ("proof", models.CharField(max_length=40)),
                        ("problems", models.JSONField(default=list)),
                        (
                            "ways",
                            models.JSONField(
                                default=list,
                                help_text="Days on which its trips could lie too, and the price.",
                            ),
                        ),
                        (
                            "outlook",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="sites",
                                to="schedules.outlook",
                            ),
                        ),
                        (
                            "site",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="+",
                                to="inventory.site",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["outlook_id", "site_id"],
                        "constraints": [
                            models.UniqueConstraint(fields=("outlook", "site"), name="outlook_site_once")
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="PlanningRules",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("values", models.JSONField(help_text="What differs from the defaults, by name.")),
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
                    ],
                    options={
                        "ordering": ["id"],
                    },
                ),
                migrations.CreateModel(
                    name="PriceItem",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                        ("code", models.CharField(max_length=30, unique=True)),
                        ("text", models.CharField(max_length=200)),
                        (
                            "unit_word",
                            models.CharField(
                                default="piece",
                                help_text="What the price is for: piece, hour.",
                                max_length=20,
                            ),
                        ),
                        ("price", models.DecimalField(decimal_places=2, max_digits=12)),
                        ("currency", models.CharField(help_text="ISO 4217 code.", max_length=3)),
                        (
                            "defect_code",
                            models.CharField(
                                blank=True,
                                help_text="Proposed for defects of this code; empty: for none.",
                                max_length=20,
                            ),
                        ),
                        ("is_active", models.BooleanField(default=True)),
                        ("version", models.PositiveIntegerField(default=1)),
                        ("changed_at", models.DateTimeField()),
                        (
                            "changed_by",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["code"],
                        "constraints": [
                            models.CheckConstraint(
                                condition=models.Q(("price__gte", 0)),
                                name="price_not_negative",
                                violation_error_message="A price is zero or more.",
                            )
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="Quotation",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                        ("number", models.CharField(max_length=24, unique=True)),
                        (
                            "state",
                            models.CharField(
                                choices=[("draft", "Draft"), ("sent", "Sent"), ("withdrawn", "Withdrawn")],
                                default="draft",
                                max_length=10,
                            ),
                        ),
                        ("currency", models.CharField(help_text="ISO 4217 code.", max_length=3)),
                        ("note", models.TextField(blank=True)),
                        (
                            "valid_until",
                            models.DateField(blank=True, help_text="Civil date at the site.", null=True),
                        ),
                        ("made_at", models.DateTimeField()),
                        ("sent_at", models.DateTimeField(blank=True, null=True)),
                        ("withdrawn_reason", models.CharField(blank=True, max_length=200)),
                        ("version", models.PositiveIntegerField(default=1)),
                        (
                            "made_by",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                        (
                            "sent_by",
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
                                related_name="quotations",
                                to="inventory.site",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["-made_at", "-id"],
                        "indexes": [models.Index(fields=["site", "state"], name="quotation_by_site")],
                        "constraints": [
                            models.CheckConstraint(
                                condition=models.Q(
                                    ("state", "draft"), ("sent_at__isnull", False), _connector="OR"
                                ),
                                name="quotation_sent_says_when",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(
                                    models.Q(("state", "withdrawn"), _negated=True),
                                    models.Q(("withdrawn_reason", ""), _negated=True),
                                    _connector="OR",
                                ),
                                name="quotation_withdrawn_says_why",
                                violation_error_message="Say why the quotation is withdrawn.",
                            ),
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="QuotationLine",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                        ("position", models.PositiveSmallIntegerField()),
                        ("text", models.CharField(max_length=300)),
                        (
                            "quantity",
                            models.DecimalField(decimal_places=2, default=Decimal("1"), max_digits=9),
                        ),
                        ("unit_word", models.CharField(default="piece", max_length=20)),
                        (
                            "price",
                            models.DecimalField(
                                blank=True,
                                decimal_places=2,
                                help_text="Of one; empty until it is known.",
                                max_digits=12,
                                null=True,
                            ),
                        ),
                        (
                            "defect",
                            models.ForeignKey(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="quoted",
                                to="inventory.defect",
                            ),
                        ),
                        (
                            "item",
                            models.ForeignKey(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.SET_NULL,
                                related_name="+",
                                to="schedules.priceitem",
                            ),
                        ),
                        (
                            "quotation",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="lines",
                                to="schedules.quotation",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["quotation_id", "position", "id"],
                        "constraints": [
                            models.UniqueConstraint(
                                fields=("quotation", "position"), name="quotation_line_position_once"
                            ),
                            models.CheckConstraint(
                                condition=models.Q(("quantity__gt", 0)),
                                name="quotation_line_quantity",
                                violation_error_message="A quantity is more than zero.",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(
                                    ("price__isnull", True), ("price__gte", 0), _connector="OR"
                                ),
                                name="quotation_line_price",
                                violation_error_message="A price is zero or more.",
                            ),
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="LineDecision",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        (
                            "choice",
                            models.CharField(
                                choices=[("approved", "Approved"), ("declined", "Declined")], max_length=8
                            ),
                        ),
                        ("remark", models.CharField(blank=True, max_length=200)),
                        (
                            "decided_name",
                            models.CharField(help_text="The name as it was then.", max_length=150),
                        ),
                        ("decided_at", models.DateTimeField()),
                        (
                            "decided_by",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                        (
                            "line",
                            models.OneToOneField(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="decision",
                                to="schedules.quotationline",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["id"],
                    },
                ),
                migrations.CreateModel(
                    name="RoutePlan",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                        ("number", models.CharField(max_length=20, unique=True)),
                        ("first_on", models.DateField()),
                        ("days", models.PositiveSmallIntegerField()),
                        (
                            "state",
                            models.CharField(
                                choices=[
                                    ("draft", "Draft"),
                                    ("taken", "Taken"),
                                    ("laid_aside", "Laid aside"),
                                ],
                                default="draft",
                                max_length=10,
                            ),
                        ),
                        (
                            "version",
                            models.PositiveIntegerField(default=1, help_text="Rises with every change."),
                        ),
                        ("seed", models.PositiveIntegerField(default=1)),
                        (
                            "rules",
                            models.JSONField(
                                default=dict, help_text="Prices and times as they stood when it was made."
                            ),
                        ),
                        (
                            "travel_note",
                            models.CharField(
                                blank=True, help_text="Where travel times came from.", max_length=300
                            ),
                        ),
                        ("totals", models.JSONField(default=dict)),
                        (
                            "problems",
                            models.JSONField(
                                default=list, help_text="What the independent check found; empty is sound."
                            ),
                        ),
                        ("created_at", models.DateTimeField(auto_now_add=True)),
                        ("taken_at", models.DateTimeField(blank=True, null=True)),
                        ("taken_version", models.PositiveIntegerField(blank=True, null=True)),
                        (
                            "depot",
                            models.ForeignKey(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="plans",
                                to="inventory.depot",
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
                            "taken_by",
                            models.ForeignKey(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["-first_on", "-id"],
                        "indexes": [models.Index(fields=["depot", "first_on"], name="plan_by_depot")],
                        "constraints": [
                            models.CheckConstraint(
                                condition=models.Q(("days__gte", 1), ("days__lte", 14)),
                                name="plan_days_range",
                                violation_error_message="Plan 1 to 14 days at once.",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(
                                    models.Q(("state", "taken"), _negated=True),
                                    ("taken_at__isnull", False),
                                    _connector="OR",
                                ),
                                name="plan_taken_is_complete",
                                violation_error_message="A taken plan says when.",
                            ),
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="PlanRun",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                        (
                            "plan_version",
                            models.PositiveIntegerField(help_text="The version that it set out from."),
                        ),
                        (
                            "state",
                            models.CharField(
                                choices=[
                                    ("waiting", "Waiting for a worker"),
                                    ("running", "Searching"),
                                    ("done", "Done"),
                                    ("stopped", "Stopped"),
                                    ("failed", "Failed"),
                                ],
                                default="waiting",
                                max_length=8,
                            ),
                        ),
                        ("seconds", models.PositiveSmallIntegerField()),
                        ("seed", models.PositiveIntegerField(default=1)),
                        ("is_stop_asked", models.BooleanField(default=False)),
                        ("claim", models.UUIDField(blank=True, null=True)),
                        ("heard_at", models.DateTimeField(blank=True, null=True)),
                        ("tries", models.PositiveSmallIntegerField(default=0)),
                        (
                            "progress",
                            models.JSONField(
                                default=list, help_text="Pairs of seconds and cost, one for each find."
                            ),
                        ),
                        (
                            "best",
                            models.JSONField(
                                blank=True, help_text="Visits of each technician's day, in order.", null=True
                            ),
                        ),
                        ("outlook", models.JSONField(default=dict, help_text="Sums of the best find.")),
                        ("error", models.CharField(blank=True, max_length=300)),
                        ("created_at", models.DateTimeField(auto_now_add=True)),
                        ("started_at", models.DateTimeField(blank=True, null=True)),
                        ("finished_at", models.DateTimeField(blank=True, null=True)),
                        (
                            "asked_by",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                        (
                            "plan",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="runs",
                                to="schedules.routeplan",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["plan_id", "id"],
                        "indexes": [models.Index(fields=["state", "heard_at"], name="plan_run_by_state")],
                        "constraints": [
                            models.UniqueConstraint(
                                condition=models.Q(("state__in", ["waiting", "running"])),
                                fields=("plan",),
                                name="plan_run_one_open",
                                violation_error_message="A search for this plan is already under way.",
                            )
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="PlanDay",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("on", models.DateField()),
                        ("shift_start_s", models.PositiveIntegerField()),
                        ("shift_end_s", models.PositiveIntegerField()),
                        ("leaves_s", models.PositiveIntegerField(null=True)),
                        ("returns_s", models.PositiveIntegerField(null=True)),
                        ("lunch_s", models.PositiveIntegerField(null=True)),
                        ("lunch_length_s", models.PositiveIntegerField(default=0)),
                        ("drive_s", models.PositiveIntegerField(default=0)),
                        ("drive_m", models.PositiveIntegerField(default=0)),
                        (
                            "home_drive_s",
                            models.PositiveIntegerField(
                                default=0, help_text="The last stretch, back to the base."
                            ),
                        ),
                        ("work_s", models.PositiveIntegerField(default=0)),
                        ("wait_s", models.PositiveIntegerField(default=0)),
                        ("overtime_s", models.PositiveIntegerField(default=0)),
                        (
                            "technician",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                        (
                            "plan",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="routes",
                                to="schedules.routeplan",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["plan_id", "technician_id", "on"],
                        "constraints": [
                            models.UniqueConstraint(fields=("plan", "technician", "on"), name="plan_day_once")
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="PlanChange",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("version", models.PositiveIntegerField(help_text="Of the plan after this change.")),
                        (
                            "kind",
                            models.CharField(
                                choices=[
                                    ("made", "Made"),
                                    ("move", "Moved"),
                                    ("pin", "Pinned"),
                                    ("unpin", "Released"),
                                    ("exclude", "Left out by hand"),
                                    ("include", "Let in again"),
                                    ("add", "Added"),
                                    ("absence", "Technician away"),
                                    ("better", "Better plan taken"),
                                    ("taken", "Taken into the visits"),
                                    ("undo", "Undone"),
                                    ("redo", "Done again"),
                                ],
                                max_length=8,
                            ),
                        ),
                        ("sentence", models.CharField(max_length=300)),
                        (
                            "before",
                            models.JSONField(default=list, help_text="The stops that changed, as they were."),
                        ),
                        ("after", models.JSONField(default=list, help_text="The same stops as they became.")),
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
                            "undoes",
                            models.ForeignKey(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to="schedules.planchange",
                            ),
                        ),
                        (
                            "plan",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="changes",
                                to="schedules.routeplan",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["plan_id", "id"],
                        "constraints": [
                            models.UniqueConstraint(
                                fields=("plan", "version"), name="plan_change_once_per_version"
                            )
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="ShiftHours",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("weekday", models.PositiveSmallIntegerField(help_text="0 is Monday, 6 is Sunday.")),
                        ("starts_at", models.TimeField()),
                        ("ends_at", models.TimeField()),
                        (
                            "member",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="shifts",
                                to="schedules.crewmember",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["member_id", "weekday"],
                        "constraints": [
                            models.UniqueConstraint(
                                fields=("member", "weekday"), name="shift_once_per_weekday"
                            ),
                            models.CheckConstraint(
                                condition=models.Q(("weekday__lte", 6)),
                                name="shift_weekday",
                                violation_error_message="Weekdays run from 0 (Monday) to 6 (Sunday).",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(("ends_at__gt", models.F("starts_at"))),
                                name="shift_ordered",
                                violation_error_message="A shift ends after it starts, on the same day.",
                            ),
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="SiteCall",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        (
                            "needs_escort",
                            models.BooleanField(default=False, help_text="Somebody of the site walks along."),
                        ),
                        (
                            "extra_minutes",
                            models.PositiveSmallIntegerField(
                                default=0, help_text="On top of the work: gate, safety talk, long ways."
                            ),
                        ),
                        ("note", models.CharField(blank=True, max_length=200)),
                        (
                            "preferred_technician",
                            models.ForeignKey(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.SET_NULL,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                        (
                            "site",
                            models.OneToOneField(
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="call",
                                to="inventory.site",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["site_id"],
                    },
                ),
                migrations.CreateModel(
                    name="SiteMonth",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("month", models.DateField(help_text="Its first day.")),
                        (
                            "counted_on",
                            models.DateField(help_text="Civil date at the site of which the counts speak."),
                        ),
                        ("units", models.PositiveIntegerField()),
                        ("in_date", models.PositiveIntegerField()),
                        ("due", models.PositiveIntegerField()),
                        ("overdue", models.PositiveIntegerField()),
                        ("unknown", models.PositiveIntegerField(help_text="A date or rule was missing.")),
                        ("is_worked_out", models.BooleanField(default=False)),
                        (
                            "site",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="months",
                                to="inventory.site",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["site_id", "month"],
                        "constraints": [
                            models.UniqueConstraint(fields=("site", "month"), name="site_month_once"),
                            models.CheckConstraint(
                                condition=models.Q(
                                    (
                                        "units",
                                        django.db.models.expressions.CombinedExpression(
                                            django.db.models.expressions.CombinedExpression(
                                                django.db.models.expressions.CombinedExpression(
                                                    models.F("in_date"), "+", models.F("due")
                                                ),
                                                "+",
                                                models.F("overdue"),
                                            ),
                                            "+",
                                            models.F("unknown"),
                                        ),
                                    )
                                ),
                                name="site_month_adds_up",
                            ),
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="HeldSkill",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        (
                            "country",
                            models.CharField(
                                blank=True, help_text="Counts only there; empty: everywhere.", max_length=2
                            ),
                        ),
                        ("region", models.CharField(blank=True, max_length=100)),
                        (
                            "reference",
                            models.CharField(
                                blank=True, help_text="Number of the licence or certificate.", max_length=80
                            ),
                        ),
                        (
                            "expires_on",
                            models.DateField(
                                blank=True, help_text="The last day on which it counts.", null=True
                            ),
                        ),
                        (
                            "member",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="skills",
                                to="schedules.crewmember",
                            ),
                        ),
                        (
                            "skill",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="holders",
                                to="schedules.skill",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["member_id", "skill_id", "id"],
                        "constraints": [
                            models.UniqueConstraint(
                                fields=("member", "skill", "country", "region"),
                                name="held_skill_once_per_place",
                                violation_error_message="This skill is already entered for this place.",
                            )
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="SkillNeed",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        (
                            "task",
                            models.CharField(
                                blank=True,
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
                        (
                            "country",
                            models.CharField(blank=True, help_text="ISO 3166-1 alpha-2 code.", max_length=2),
                        ),
                        ("region", models.CharField(blank=True, max_length=100)),
                        (
                            "site",
                            models.ForeignKey(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="skill_needs",
                                to="inventory.site",
                            ),
                        ),
                        (
                            "skill",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="needs",
                                to="schedules.skill",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["skill_id", "id"],
                        "constraints": [
                            models.CheckConstraint(
                                condition=models.Q(
                                    ("agent", ""),
                                    ("country", ""),
                                    ("region", ""),
                                    ("site__isnull", True),
                                    ("task", ""),
                                    _negated=True,
                                ),
                                name="skill_need_says_when",
                                violation_error_message="Say when the skill is needed: a task, an agent, a place or a site.",
                            )
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="TravelLeg",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        (
                            "source",
                            models.CharField(
                                help_text="Provider, its address or tiles, and its profile.", max_length=120
                            ),
                        ),
                        (
                            "start",
                            models.CharField(
                                help_text="Latitude and longitude to four decimals.", max_length=24
                            ),
                        ),
                        ("goal", models.CharField(max_length=24)),
                        ("drive_s", models.PositiveIntegerField()),
                        ("drive_m", models.PositiveIntegerField()),
                        ("stored_at", models.DateTimeField()),
                    ],
                    options={
                        "ordering": ["id"],
                        "constraints": [
                            models.UniqueConstraint(
                                fields=("source", "start", "goal"), name="travel_leg_once"
                            )
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="Van",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                        ("name", models.CharField(max_length=80, unique=True)),
                        (
                            "unit_places",
                            models.PositiveSmallIntegerField(
                                default=40,
                                help_text="Units that find a place at once: loaners going out, units coming back.",
                            ),
                        ),
                        ("version", models.PositiveIntegerField(default=1)),
                        (
                            "depot",
                            models.ForeignKey(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="vans",
                                to="inventory.depot",
                            ),
                        ),
                        (
                            "driver",
                            models.OneToOneField(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.SET_NULL,
                                related_name="van",
                                to="schedules.crewmember",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["name", "id"],
                    },
                ),
                migrations.CreateModel(
                    name="VanStock",
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
                                choices=[("loaner", "Loaners"), ("agent", "Loose agent")], max_length=6
                            ),
                        ),
                        (
                            "agent",
                            models.CharField(
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
                        (
                            "amount",
                            models.PositiveIntegerField(help_text="Pieces of loaners, grams of loose agent."),
                        ),
                        (
                            "van",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="stock",
                                to="schedules.van",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["van_id", "kind", "agent", "id"],
                        "constraints": [
                            models.UniqueConstraint(
                                fields=("van", "kind", "agent"),
                                name="van_stock_once",
                                violation_error_message="This van already has a line for that.",
                            )
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="Variation",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("table_key", models.CharField(max_length=60)),
                        (
                            "table_version",
                            models.CharField(
                                blank=True, help_text="Empty: every edition that has the rule.", max_length=20
                            ),
                        ),
                        ("rule_id", models.CharField(max_length=80)),
                        ("changes", models.JSONField()),
                        ("reason", models.CharField(max_length=300)),
                        (
                            "reference",
                            models.CharField(
                                help_text="What the local authority wrote, and where.", max_length=300
                            ),
                        ),
                        (
                            "varied_name",
                            models.CharField(
                                help_text="Name of the person, as it stood that day.", max_length=150
                            ),
                        ),
                        ("varied_at", models.DateTimeField()),
                        ("withdrawn_at", models.DateTimeField(blank=True, null=True)),
                        ("withdrawn_reason", models.CharField(blank=True, max_length=300)),
                        (
                            "owner",
                            models.ForeignKey(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="variations",
                                to="inventory.owner",
                            ),
                        ),
                        (
                            "site",
                            models.ForeignKey(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="variations",
                                to="inventory.site",
                            ),
                        ),
                        (
                            "varied_by",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                        (
                            "withdrawn_by",
                            models.ForeignKey(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["table_key", "rule_id", "id"],
                        "constraints": [
                            models.CheckConstraint(
                                condition=models.Q(
                                    ("site__isnull", True), ("owner__isnull", True), _connector="OR"
                                ),
                                name="variation_one_level",
                                violation_error_message="A rule is varied for a site or for an owner, not both in one row.",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(
                                    models.Q(("reason", ""), _negated=True),
                                    models.Q(("reference", ""), _negated=True),
                                    models.Q(("rule_id", ""), _negated=True),
                                ),
                                name="variation_founded",
                                violation_error_message="Give the rule, the reason and the reference of the authority.",
                            ),
                            models.UniqueConstraint(
                                condition=models.Q(("site__isnull", False), ("withdrawn_at__isnull", True)),
                                fields=("table_key", "table_version", "rule_id", "site"),
                                name="variation_once_per_site",
                                violation_error_message="This rule is already varied for this site.",
                            ),
                            models.UniqueConstraint(
                                condition=models.Q(("owner__isnull", False), ("withdrawn_at__isnull", True)),
                                fields=("table_key", "table_version", "rule_id", "owner"),
                                name="variation_once_per_owner",
                                violation_error_message="This rule is already varied for this owner.",
                            ),
                            models.UniqueConstraint(
                                condition=models.Q(
                                    ("owner__isnull", True),
                                    ("site__isnull", True),
                                    ("withdrawn_at__isnull", True),
                                ),
                                fields=("table_key", "table_version", "rule_id"),
                                name="variation_once_per_firm",
                                violation_error_message="This rule is already varied for the whole firm.",
                            ),
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="Visit",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                        ("number", models.CharField(max_length=20, unique=True)),
                        (
                            "state",
                            models.CharField(
                                choices=[
                                    ("proposed", "Proposed"),
                                    ("confirmed", "Confirmed"),
                                    ("under_way", "Under way"),
                                    ("closed", "Closed"),
                                    ("cancelled", "Cancelled"),
                                ],
                                default="proposed",
                                max_length=10,
                            ),
                        ),
                        ("planned_on", models.DateField(help_text="Civil date at the site.")),
                        (
                            "latest_on",
                            models.DateField(
                                blank=True, help_text="Latest date among its jobs when proposed.", null=True
                            ),
                        ),
                        (
                            "window_from",
                            models.TimeField(
                                blank=True, help_text="The technician comes from then on.", null=True
                            ),
                        ),
                        (
                            "window_until",
                            models.TimeField(
                                blank=True, help_text="The technician has come by then.", null=True
                            ),
                        ),
                        (
                            "planned_start",
                            models.TimeField(
                                blank=True, help_text="When work starts by the plan.", null=True
                            ),
                        ),
                        (
                            "promised_at",
                            models.DateTimeField(
                                blank=True,
                                help_text="When day and window were promised; planning keeps them.",
                                null=True,
                            ),
                        ),
                        (
                            "is_urgent",
                            models.BooleanField(
                                default=False, help_text="Called in; goes before everything else."
                            ),
                        ),
                        (
                            "call_reason",
                            models.CharField(blank=True, help_text="Why the owner called.", max_length=200),
                        ),
                        ("created_at", models.DateTimeField(auto_now_add=True)),
                        ("confirmed_at", models.DateTimeField(blank=True, null=True)),
                        ("started_at", models.DateTimeField(blank=True, null=True)),
                        ("closed_at", models.DateTimeField(blank=True, null=True)),
                        (
                            "done_on",
                            models.DateField(
                                blank=True,
                                help_text="Civil date at the site on which it was closed.",
                                null=True,
                            ),
                        ),
                        (
                            "counts",
                            models.JSONField(
                                blank=True, default=dict, help_text="Reconciled counts of the closed visit."
                            ),
                        ),
                        (
                            "contact_name",
                            models.CharField(
                                blank=True, help_text="Who was told, printed name.", max_length=120
                            ),
                        ),
                        ("no_signature_reason", models.CharField(blank=True, max_length=200)),
                        ("cancelled_reason", models.CharField(blank=True, max_length=200)),
                        (
                            "signature",
                            models.JSONField(
                                blank=True,
                                help_text="Strokes drawn on glass: width, height, lines.",
                                null=True,
                            ),
                        ),
                        (
                            "version",
                            models.PositiveIntegerField(
                                default=1, help_text="Rises with every change at the desk."
                            ),
                        ),
                        (
                            "closed_by",
                            models.ForeignKey(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                        (
                            "companions",
                            models.ManyToManyField(
                                blank=True,
                                help_text="Technicians who go along and record on the same visit.",
                                related_name="shared_visits",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                        (
                            "proposed_by",
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
                                related_name="visits",
                                to="inventory.site",
                            ),
                        ),
                        (
                            "technician",
                            models.ForeignKey(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="visits",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["planned_on", "number", "id"],
                        "indexes": [
                            models.Index(fields=["technician", "planned_on"], name="visit_by_technician"),
                            models.Index(fields=["site", "state"], name="visit_by_site"),
                            models.Index(fields=["state", "planned_on"], name="visit_by_state"),
                        ],
                        "constraints": [
                            models.CheckConstraint(
                                condition=models.Q(
                                    models.Q(("state", "confirmed"), _negated=True),
                                    ("technician__isnull", False),
                                    _connector="OR",
                                ),
                                name="visit_confirmed_has_technician",
                                violation_error_message="Choose a technician before you confirm the visit.",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(
                                    models.Q(("state", "closed"), _negated=True),
                                    models.Q(
                                        ("closed_at__isnull", False),
                                        ("closed_by__isnull", False),
                                        ("done_on__isnull", False),
                                    ),
                                    _connector="OR",
                                ),
                                name="visit_closed_is_complete",
                                violation_error_message="A closed visit says when and by whom.",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(
                                    models.Q(("window_from__isnull", True), ("window_until__isnull", True)),
                                    models.Q(
                                        ("window_from__isnull", False),
                                        ("window_until__gte", models.F("window_from")),
                                    ),
                                    _connector="OR",
                                ),
                                name="visit_window_ordered",
                                violation_error_message="Give both ends of the window, the later one last.",
                            ),
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="FieldAct",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        (
                            "act_id",
                            models.UUIDField(help_text="Made by the client; a resend meets it.", unique=True),
                        ),
                        ("content_digest", models.CharField(max_length=64)),
                        (
                            "kind",
                            models.CharField(
                                choices=[
                                    ("start", "Began the visit"),
                                    ("result", "Worked on a unit"),
                                    ("not_found", "Unit not found"),
                                    ("no_access", "No access"),
                                    ("add_unit", "Added a unit"),
                                    ("move_unit", "Moved a unit"),
                                    ("swap_units", "Changed two units' places"),
                                    ("exchange", "Exchanged a unit"),
                                    ("lend", "Lent a unit"),
                                    ("give_back", "Brought a unit back"),
                                    ("condemn", "Condemned a unit"),
                                    ("used", "Found a unit used"),
                                    ("to_workshop", "Took a unit to the workshop"),
                                    ("defect", "Found a defect"),
                                    ("location_problem", "Found a place wrong"),
                                    ("settle_defect", "Settled a defect"),
                                    ("undo", "Took an act back"),
                                    ("close", "Closed the visit"),
                                ],
                                max_length=20,
                            ),
                        ),
                        (
                            "unit_ref",
                            models.UUIDField(
                                blank=True, help_text="May name a unit that has yet to arrive.", null=True
                            ),
                        ),
                        ("location_ref", models.UUIDField(blank=True, null=True)),
                        ("undoes_ref", models.UUIDField(blank=True, db_index=True, null=True)),
                        ("content", models.JSONField(default=dict)),
                        (
                            "device_ref",
                            models.UUIDField(
                                blank=True, help_text="The phone; empty for the web pages.", null=True
                            ),
                        ),
                        (
                            "sequence",
                            models.PositiveIntegerField(
                                blank=True, help_text="Position among the phone's acts.", null=True
                            ),
                        ),
                        (
                            "device_at",
                            models.DateTimeField(
                                blank=True, help_text="The device's clock, as it stood.", null=True
                            ),
                        ),
                        (
                            "drift_s",
                            models.FloatField(
                                blank=True, help_text="Server's clock less the device's, seconds.", null=True
                            ),
                        ),
                        (
                            "counts_at",
                            models.DateTimeField(
                                help_text="Server instant at which it was done, as near as is known."
                            ),
                        ),
                        ("received_at", models.DateTimeField()),
                        ("app_version", models.CharField(blank=True, max_length=40)),
                        (
                            "made_by",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                        (
                            "visit",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="acts",
                                to="schedules.visit",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["id"],
                        "indexes": [
                            models.Index(fields=["visit", "kind"], name="act_by_visit"),
                            models.Index(fields=["visit", "device_ref"], name="act_by_visit_device"),
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="Certificate",
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
                                    ("visit", "Certificate of service"),
                                    ("period", "Certificate of service for a period"),
                                    ("condition", "Yearly condition statement"),
                                ],
                                default="visit",
                                max_length=10,
                            ),
                        ),
                        ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                        ("number", models.CharField(max_length=24, unique=True)),
                        ("verify_code", models.CharField(max_length=20, unique=True)),
                        ("first_on", models.DateField(help_text="First day of the period.", null=True)),
                        ("last_on", models.DateField(help_text="Last day of the period.", null=True)),
                        ("issued_at", models.DateTimeField()),
                        ("issued_on", models.DateField(help_text="Civil date at the site.")),
                        ("content", models.JSONField(help_text="Everything printed, frozen.")),
                        ("content_digest", models.CharField(max_length=64)),
                        (
                            "issued_by",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                        (
                            "owner",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="certificates",
                                to="inventory.owner",
                            ),
                        ),
                        (
                            "replaces",
                            models.OneToOneField(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="replaced_by",
                                to="schedules.certificate",
                            ),
                        ),
                        (
                            "site",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="certificates",
                                to="inventory.site",
                            ),
                        ),
                        (
                            "visit",
                            models.ForeignKey(
                                help_text="Empty for a period.",
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="certificates",
                                to="schedules.visit",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["-issued_at", "-id"],
                        "indexes": [
                            models.Index(fields=["owner", "-issued_at"], name="certificate_by_owner"),
                            models.Index(fields=["site", "-issued_at"], name="certificate_by_site"),
                        ],
                        "constraints": [
                            models.UniqueConstraint(
                                condition=models.Q(("replaces__isnull", True)),
                                fields=("visit",),
                                name="certificate_once_per_visit",
                                violation_error_message="A certificate was already issued for this visit.",
                            ),
                            models.UniqueConstraint(
                                condition=models.Q(("replaces__isnull", True), ("visit__isnull", True)),
                                fields=("site", "kind", "first_on", "last_on"),
                                name="certificate_once_per_period",
                                violation_error_message="This was already issued for this site and period.",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(
                                    models.Q(
                                        ("first_on__isnull", True),
                                        ("kind", "visit"),
                                        ("last_on__isnull", True),
                                        ("visit__isnull", False),
                                    ),
                                    models.Q(
                                        models.Q(("kind", "visit"), _negated=True),
                                        ("first_on__isnull", False),
                                        ("last_on__gte", models.F("first_on")),
                                        ("visit__isnull", True),
                                    ),
                                    _connector="OR",
                                ),
                                name="certificate_of_visit_or_period",
                                violation_error_message="A certificate is of one visit or of one period.",
                            ),
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="CertificateFile",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("pdf", models.FileField(upload_to="certificates/%Y/")),
                        ("sha256", models.CharField(max_length=64)),
                        ("page_count", models.PositiveIntegerField()),
                        ("rendered_at", models.DateTimeField()),
                        (
                            "certificate",
                            models.OneToOneField(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="file",
                                to="schedules.certificate",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["id"],
                    },
                ),
                migrations.CreateModel(
                    name="WaitingAct",
                    fields=[
                        (
                            "act",
                            models.OneToOneField(
                                on_delete=django.db.models.deletion.CASCADE,
                                primary_key=True,
                                related_name="waiting",
                                serialize=False,
                                to="schedules.fieldact",
                            ),
                        ),
                        ("problem", models.JSONField(default=dict)),
                        ("is_refused", models.BooleanField(default=False)),
                        ("since", models.DateTimeField()),
                    ],
                ),
                migrations.CreateModel(
                    name="PlanStop",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("on", models.DateField(null=True)),
                        ("position", models.PositiveSmallIntegerField(default=0)),
                        ("arrives_s", models.PositiveIntegerField(null=True)),
                        ("starts_s", models.PositiveIntegerField(null=True)),
                        ("ends_s", models.PositiveIntegerField(null=True)),
                        (
                            "drive_s",
                            models.PositiveIntegerField(default=0, help_text="To here from the stop before."),
                        ),
                        ("drive_m", models.PositiveIntegerField(default=0)),
                        ("work_s", models.PositiveIntegerField(default=0)),
                        ("pin_on", models.DateField(blank=True, null=True)),
                        ("pin_from_s", models.PositiveIntegerField(blank=True, null=True)),
                        ("pin_until_s", models.PositiveIntegerField(blank=True, null=True)),
                        (
                            "is_excluded",
                            models.BooleanField(default=False, help_text="Kept out of this plan by hand."),
                        ),
                        (
                            "why_out",
                            models.JSONField(
                                default=list, help_text="Why it is left out, and what would let it in."
                            ),
                        ),
                        (
                            "pin_technician",
                            models.ForeignKey(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                        (
                            "technician",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                        (
                            "plan",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="stops",
                                to="schedules.routeplan",
                            ),
                        ),
                        (
                            "visit",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="plan_stops",
                                to="schedules.visit",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["plan_id", "technician_id", "on", "position", "id"],
                        "indexes": [
                            models.Index(fields=["plan", "technician", "on"], name="plan_stop_by_day")
                        ],
                        "constraints": [
                            models.UniqueConstraint(fields=("plan", "visit"), name="plan_stop_once"),
                            models.CheckConstraint(
                                condition=models.Q(
                                    models.Q(("on__isnull", True), ("technician__isnull", True)),
                                    models.Q(("on__isnull", False), ("technician__isnull", False)),
                                    _connector="OR",
                                ),
                                name="plan_stop_whole",
                                violation_error_message="A planned visit has both a technician and a day.",
                            ),
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="OutlookTrip",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("on", models.DateField()),
                        ("level_on", models.DateField()),
                        ("first_on", models.DateField(help_text="The earliest day it could move to.")),
                        ("last_on", models.DateField(help_text="The latest day it could move to.")),
                        ("latest_on", models.DateField(help_text="The first latest date among its work.")),
                        ("units", models.PositiveIntegerField()),
                        ("works", models.JSONField(default=dict, help_text="Number of units by task.")),
                        (
                            "pairs",
                            models.JSONField(
                                default=list, help_text="Unit and task of everything done on it."
                            ),
                        ),
                        (
                            "work_minutes",
                            models.PositiveIntegerField(
                                help_text="Of a technician, the site's overhead included."
                            ),
                        ),
                        ("workshop_minutes", models.PositiveIntegerField(default=0)),
                        ("workshop_units", models.PositiveIntegerField(default=0)),
                        ("agent_mass_g", models.PositiveIntegerField(default=0)),
                        (
                            "ask_on",
                            models.DateField(help_text="A better day to ask the owner about.", null=True),
                        ),
                        (
                            "taken",
                            models.UUIDField(blank=True, help_text="Which act made it a visit.", null=True),
                        ),
                        (
                            "outlook",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="trips",
                                to="schedules.outlook",
                            ),
                        ),
                        (
                            "site",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="+",
                                to="inventory.site",
                            ),
                        ),
                        (
                            "booked_visit",
                            models.ForeignKey(
                                help_text="The visit on the books that it joins.",
                                null=True,
                                on_delete=django.db.models.deletion.SET_NULL,
                                related_name="+",
                                to="schedules.visit",
                            ),
                        ),
                        (
                            "visit",
                            models.ForeignKey(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.SET_NULL,
                                related_name="+",
                                to="schedules.visit",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["level_on", "id"],
                        "indexes": [
                            models.Index(fields=["outlook", "level_on"], name="outlook_trip_by_day"),
                            models.Index(fields=["outlook", "site"], name="outlook_trip_by_site"),
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="Job",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
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
                        ("table_key", models.CharField(max_length=60)),
                        ("table_version", models.CharField(max_length=20)),
                        ("rule_id", models.CharField(max_length=80)),
                        ("target_on", models.DateField(null=True)),
                        ("latest_on", models.DateField(null=True)),
                        (
                            "location",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to="inventory.location",
                            ),
                        ),
                        (
                            "record",
                            models.OneToOneField(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="job",
                                to="inventory.servicerecord",
                            ),
                        ),
                        (
                            "unit",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="jobs",
                                to="inventory.unit",
                            ),
                        ),
                        (
                            "visit",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="jobs",
                                to="schedules.visit",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["visit_id", "id"],
                        "constraints": [
                            models.UniqueConstraint(
                                fields=("visit", "unit", "task"), name="job_once_per_visit"
                            )
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="HeldVisit",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("fetched_at", models.DateTimeField()),
                        (
                            "person",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                        (
                            "visit",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="held_by",
                                to="schedules.visit",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["visit_id", "id"],
                        "constraints": [
                            models.UniqueConstraint(fields=("visit", "person"), name="held_visit_once")
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="Doubt",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                        (
                            "kind",
                            models.CharField(
                                help_text="A code of inventory.measures.plausibility.", max_length=30
                            ),
                        ),
                        (
                            "subject",
                            models.CharField(
                                help_text="What it is about, so that a second look meets it.", max_length=80
                            ),
                        ),
                        ("sentence", models.CharField(max_length=400)),
                        ("evidence", models.JSONField(default=list, help_text="Lines of what was seen.")),
                        ("found_at", models.DateTimeField()),
                        ("settled_at", models.DateTimeField(blank=True, null=True)),
                        ("settled_note", models.CharField(blank=True, max_length=300)),
                        (
                            "settled_by",
                            models.ForeignKey(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                        (
                            "visit",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="doubts",
                                to="schedules.visit",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["-found_at", "id"],
                        "indexes": [models.Index(fields=["settled_at", "found_at"], name="doubt_by_state")],
                        "constraints": [
                            models.UniqueConstraint(fields=("visit", "kind", "subject"), name="doubt_once"),
                            models.CheckConstraint(
                                condition=models.Q(
                                    ("settled_at__isnull", True),
                                    models.Q(("settled_note", ""), _negated=True),
                                    _connector="OR",
                                ),
                                name="doubt_settled_says_why",
                                violation_error_message="Say what you found when you looked.",
                            ),
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="VisitEntry",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("client_ref", models.UUIDField(unique=True)),
                        ("content_digest", models.CharField(max_length=64)),
                        (
                            "result",
                            models.CharField(
                                choices=[
                                    ("serviced", "Serviced"),
                                    ("failed", "Failed"),
                                    ("replaced", "Replaced"),
                                    ("removed", "Removed"),
                                    ("not_found", "Not found"),
                                    ("no_access", "No access"),
                                ],
                                max_length=10,
                            ),
                        ),
                        (
                            "tasks",
                            models.JSONField(default=list, help_text="Task codes done, for a serviced unit."),
                        ),
                        (
                            "readings",
                            models.JSONField(default=list, help_text="Quantity, value and unit as entered."),
                        ),
                        ("method", models.CharField(blank=True, max_length=20)),
                        (
                            "replacement",
                            models.JSONField(
                                blank=True, help_text="The unit that now hangs there.", null=True
                            ),
                        ),
                        (
                            "disposition",
                            models.CharField(
                                blank=True,
                                choices=[
                                    ("", "As the result says"),
                                    ("loaner", "In the workshop, a loaner hangs"),
                                    ("condemned", "Condemned"),
                                    ("recharge", "Taken along for recharge"),
                                ],
                                max_length=12,
                            ),
                        ),
                        (
                            "checks",
                            models.JSONField(default=list, help_text="Answers to the checks, by code."),
                        ),
                        (
                            "parts",
                            models.JSONField(
                                default=list, help_text="Parts fitted: code or text, and count."
                            ),
                        ),
                        (
                            "marks",
                            models.JSONField(
                                default=list, help_text="Marks read off the shell: what, and the mark."
                            ),
                        ),
                        ("remarks", models.TextField(blank=True)),
                        ("device_at", models.DateTimeField(blank=True, null=True)),
                        ("received_at", models.DateTimeField()),
                        (
                            "act",
                            models.OneToOneField(
                                blank=True,
                                help_text="The act behind it.",
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="entry",
                                to="schedules.fieldact",
                            ),
                        ),
                        (
                            "made_by",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                        (
                            "unit",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="entries",
                                to="inventory.unit",
                            ),
                        ),
                        (
                            "visit",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="entries",
                                to="schedules.visit",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["visit_id", "id"],
                        "indexes": [models.Index(fields=["visit", "unit"], name="entry_by_visit_unit")],
                    },
                ),
                migrations.CreateModel(
                    name="VisitNotice",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                        (
                            "channel",
                            models.CharField(choices=[("mail", "Mail"), ("letter", "Letter")], max_length=6),
                        ),
                        ("planned_on", models.DateField()),
                        ("window_from", models.TimeField()),
                        ("window_until", models.TimeField()),
                        ("sent_to", models.CharField(blank=True, max_length=254)),
                        ("subject", models.CharField(max_length=200)),
                        ("body", models.TextField()),
                        ("created_at", models.DateTimeField(auto_now_add=True)),
                        ("claimed_at", models.DateTimeField(blank=True, null=True)),
                        ("sent_at", models.DateTimeField(blank=True, null=True)),
                        ("error", models.CharField(blank=True, max_length=300)),
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
                            "visit",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="notices",
                                to="schedules.visit",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["visit_id", "id"],
                        "constraints": [
                            models.UniqueConstraint(
                                fields=("visit", "channel", "planned_on", "window_from", "window_until"),
                                name="visit_notice_once",
                                violation_error_message="The owner was already told this day and window in this way.",
                            )
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="Withdrawal",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("withdrawn_at", models.DateTimeField()),
                        ("reason", models.CharField(max_length=300)),
                        (
                            "certificate",
                            models.OneToOneField(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="withdrawal",
                                to="schedules.certificate",
                            ),
                        ),
                        (
                            "withdrawn_by",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["id"],
                        "constraints": [
                            models.CheckConstraint(
                                condition=models.Q(("reason", ""), _negated=True),
                                name="withdrawal_has_reason",
                                violation_error_message="Say why the certificate is withdrawn.",
                            )
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="Adoption",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("table_key", models.CharField(max_length=60)),
                        (
                            "table_version",
                            models.CharField(
                                blank=True,
                                help_text="Empty: the edition in force on the day in question.",
                                max_length=20,
                            ),
                        ),
                        ("adopted_at", models.DateTimeField()),
                        ("reason", models.CharField(blank=True, max_length=300)),
                        ("withdrawn_at", models.DateTimeField(blank=True, null=True)),
                        (
                            "adopted_by",
                            models.ForeignKey(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                        (
                            "owner",
                            models.ForeignKey(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="adoptions",
                                to="inventory.owner",
                            ),
                        ),
                        (
                            "site",
                            models.ForeignKey(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="adoptions",
                                to="inventory.site",
                            ),
                        ),
                        (
                            "withdrawn_by",
                            models.ForeignKey(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["table_key", "id"],
                        "constraints": [
                            models.CheckConstraint(
                                condition=models.Q(
                                    ("site__isnull", True), ("owner__isnull", True), _connector="OR"
                                ),
                                name="adoption_one_level",
                                violation_error_message="A table is adopted for a site or for an owner, not both in one row.",
                            ),
                            models.UniqueConstraint(
                                condition=models.Q(("site__isnull", False), ("withdrawn_at__isnull", True)),
                                fields=("table_key", "site"),
                                name="adoption_once_per_site",
                                violation_error_message="This site already uses this table.",
                            ),
                            models.UniqueConstraint(
                                condition=models.Q(("owner__isnull", False), ("withdrawn_at__isnull", True)),
                                fields=("table_key", "owner"),
                                name="adoption_once_per_owner",
                                violation_error_message="This owner already uses this table.",
                            ),
                            models.UniqueConstraint(
                                condition=models.Q(
                                    ("owner__isnull", True),
                                    ("site__isnull", True),
                                    ("withdrawn_at__isnull", True),
                                ),
                                fields=("table_key",),
                                name="adoption_once_per_firm",
                                violation_error_message="The firm already uses this table.",
                            ),
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="Confirmation",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("table_key", models.CharField(max_length=60)),
                        ("table_version", models.CharField(max_length=20)),
                        ("table_digest", models.CharField(max_length=64)),
                        (
                            "confirmed_name",
                            models.CharField(
                                help_text="Name as typed by the person who confirms.", max_length=150
                            ),
                        ),
                        ("confirmed_at", models.DateTimeField()),
                        (
                            "local_code",
                            models.CharField(
                                help_text="The local code or authority it was checked against.",
                                max_length=300,
                            ),
                        ),
                        ("withdrawn_at", models.DateTimeField(blank=True, null=True)),
                        ("withdrawn_reason", models.CharField(blank=True, max_length=300)),
                        (
                            "confirmed_by",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                        (
                            "withdrawn_by",
                            models.ForeignKey(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["table_key", "table_version", "-confirmed_at", "id"],
                        "constraints": [
                            models.UniqueConstraint(
                                condition=models.Q(("withdrawn_at__isnull", True)),
                                fields=("table_key", "table_version"),
                                name="confirmation_standing_once",
                                violation_error_message="This table version is already confirmed.",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(
                                    models.Q(("confirmed_name", ""), _negated=True),
                                    models.Q(("local_code", ""), _negated=True),
                                ),
                                name="confirmation_named",
                                violation_error_message="Type your name and the local code you checked against.",
                            ),
                        ],
                    },
                ),
            ]
        ),
        migrations.RunPython(
            fence(
                "schedules_visitentry",
                "schedules_certificate",
                "schedules_withdrawal",
                "schedules_certificatefile",
                "schedules_planchange",
                "schedules_planningrules",
                "schedules_fieldact",
                "schedules_bundlingfigures",
                "schedules_linedecision",
            ),
            migrations.RunPython.noop,
        ),
    ]
