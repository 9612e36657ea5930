import django.db.models.deletion
import uuid
from django.conf import settings
from django.db import migrations, models

from inventory.appendonly import every, fence, fence_but_erasing
from inventory.manytables import CreateModels


def first_steps(apps, schema_editor):
    item_model, step_model = (
        apps.get_model("schedules", "PriceItem"),
        apps.get_model("schedules", "PriceStep"),
    )
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
    dependencies = [
        ("inventory", "0015_corrections_terms_claims_erasures"),
        ("schedules", "0001_squashed_0018"),
    ]

    operations = [
        migrations.AddField(
            model_name="priceitem",
            name="agent",
            field=models.CharField(
                blank=True, help_text="Only for units of this agent; empty: any.", max_length=24
            ),
        ),
        migrations.AddField(
            model_name="priceitem",
            name="bills",
            field=models.CharField(
                blank=True,
                help_text="What of a billing run it prices; empty: nothing by itself.",
                max_length=60,
            ),
        ),
        migrations.AddField(
            model_name="visit",
            name="kind",
            field=models.CharField(
                choices=[("service", "Service"), ("survey", "Survey")],
                db_default="service",
                default="service",
                help_text="A survey reads what hangs there; it holds no jobs and gives no certificate.",
                max_length=10,
            ),
        ),
        migrations.AddField(
            model_name="visit",
            name="planned_minutes",
            field=models.PositiveSmallIntegerField(
                blank=True, help_text="Minutes on site beyond what its jobs take.", null=True
            ),
        ),
        migrations.AlterField(
            model_name="fieldact",
            name="kind",
            field=models.CharField(
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
                    ("survey_place", "Fixed a place"),
                    ("survey_unit", "Read a unit"),
                    ("survey_missing", "Looked for a unit"),
                    ("survey_remark", "Remarked on a place"),
                    ("undo", "Took an act back"),
                    ("close", "Closed the visit"),
                ],
                max_length=20,
            ),
        ),
        CreateModels(
            [
                migrations.CreateModel(
                    name="BillingRun",
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
                            "first_on",
                            models.DateField(
                                help_text="First of a month; what was done before is not looked at."
                            ),
                        ),
                        ("until_on", models.DateField()),
                        ("note", models.CharField(blank=True, max_length=200)),
                        ("made_at", models.DateTimeField()),
                        ("taken_back_at", models.DateTimeField(blank=True, null=True)),
                        ("taken_back_reason", models.CharField(blank=True, max_length=200)),
                        (
                            "exported_at",
                            models.DateTimeField(
                                blank=True, help_text="When its file was last taken.", null=True
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
                            "owners",
                            models.ManyToManyField(
                                blank=True, related_name="billing_runs", to="inventory.owner"
                            ),
                        ),
                        (
                            "taken_back_by",
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
                        "ordering": ["-id"],
                        "constraints": [
                            models.CheckConstraint(
                                condition=models.Q(("until_on__gte", models.F("first_on"))),
                                name="billing_run_ordered",
                                violation_error_message="The last day lies before the first.",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(
                                    ("taken_back_at__isnull", True),
                                    models.Q(("taken_back_reason", ""), _negated=True),
                                    _connector="OR",
                                ),
                                name="billing_run_back_says_why",
                                violation_error_message="Say why the run is taken back.",
                            ),
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="BillingLine",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                        ("key", models.CharField(help_text="The thing it stands for.", max_length=160)),
                        (
                            "position",
                            models.PositiveIntegerField(help_text="Which line of that thing, from 1."),
                        ),
                        (
                            "is_live",
                            models.BooleanField(default=True, help_text="No once the run was taken back."),
                        ),
                        (
                            "kind",
                            models.CharField(
                                choices=[
                                    ("visit", "Visit"),
                                    ("unit", "Unit"),
                                    ("task", "Task"),
                                    ("part", "Part"),
                                    ("loan", "Loaner"),
                                    ("rental", "Rental"),
                                ],
                                max_length=8,
                            ),
                        ),
                        (
                            "code",
                            models.CharField(
                                help_text="What is billed, as price lines name it.", max_length=60
                            ),
                        ),
                        ("agent", models.CharField(blank=True, max_length=24)),
                        ("on", models.DateField(help_text="Civil day at the site on which it was done.")),
                        ("text", models.CharField(max_length=300)),
                        (
                            "quantity",
                            models.DecimalField(
                                decimal_places=2, help_text="Negative where it takes back.", max_digits=12
                            ),
                        ),
                        ("unit_word", models.CharField(max_length=20)),
                        (
                            "is_included",
                            models.BooleanField(
                                default=False, help_text="Covered by the basis of price; no amount."
                            ),
                        ),
                        (
                            "price",
                            models.DecimalField(
                                blank=True,
                                decimal_places=2,
                                help_text="Of one; empty: the list has none.",
                                max_digits=12,
                                null=True,
                            ),
                        ),
                        ("currency", models.CharField(blank=True, max_length=3)),
                        (
                            "amount",
                            models.DecimalField(blank=True, decimal_places=2, max_digits=14, null=True),
                        ),
                        (
                            "basis",
                            models.CharField(
                                blank=True, help_text="Basis of price; empty: not agreed.", max_length=20
                            ),
                        ),
                        ("contract_number", models.CharField(blank=True, max_length=40)),
                        ("po_number", models.CharField(blank=True, max_length=60)),
                        ("po_problem", models.CharField(blank=True, max_length=120)),
                        ("visit_number", models.CharField(blank=True, max_length=30)),
                        (
                            "sources",
                            models.JSONField(
                                default=list, help_text="What it was read off: sort and id of each record."
                            ),
                        ),
                        (
                            "corrects",
                            models.ForeignKey(
                                blank=True,
                                help_text="An earlier line.",
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="corrections",
                                to="schedules.billingline",
                            ),
                        ),
                        (
                            "item",
                            models.ForeignKey(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to="schedules.priceitem",
                            ),
                        ),
                        (
                            "owner",
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
                                related_name="+",
                                to="inventory.site",
                            ),
                        ),
                        (
                            "unit",
                            models.ForeignKey(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to="inventory.unit",
                            ),
                        ),
                        (
                            "run",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="lines",
                                to="schedules.billingrun",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["run_id", "owner_id", "site_id", "on", "id"],
                        "indexes": [
                            models.Index(fields=["key"], name="billing_line_by_key"),
                            models.Index(fields=["owner", "on"], name="billing_line_by_owner"),
                        ],
                        "constraints": [
                            models.UniqueConstraint(
                                condition=models.Q(("is_live", True)),
                                fields=("key", "position"),
                                name="billed_once",
                                violation_error_message="Another run billed this a moment ago.",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(("quantity", 0), _negated=True),
                                name="billing_line_quantity",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(
                                    ("price__isnull", True),
                                    models.Q(("currency", ""), _negated=True),
                                    _connector="OR",
                                ),
                                name="billing_line_price_has_currency",
                            ),
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="CertificateFlag",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        (
                            "together",
                            models.UUIDField(help_text="The correction behind it: FactChange.together."),
                        ),
                        ("flagged_at", models.DateTimeField()),
                        ("corrected_on", models.DateField(help_text="Civil date at the site.")),
                        (
                            "subject",
                            models.CharField(
                                help_text="What was corrected, e.g. the number of a unit.", max_length=200
                            ),
                        ),
                        (
                            "fields",
                            models.CharField(help_text="Which of its facts, in words.", max_length=300),
                        ),
                        (
                            "certificate",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="flags",
                                to="schedules.certificate",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["id"],
                        "constraints": [
                            models.UniqueConstraint(
                                fields=("certificate", "together", "subject"),
                                name="certificate_flag_once_per_correction",
                            )
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="PriceStep",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("from_on", models.DateField()),
                        ("price", models.DecimalField(decimal_places=2, max_digits=12)),
                        ("currency", models.CharField(help_text="ISO 4217 code.", max_length=3)),
                        ("made_at", models.DateTimeField()),
                        (
                            "item",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="steps",
                                to="schedules.priceitem",
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
                    ],
                    options={
                        "ordering": ["item_id", "from_on", "id"],
                        "indexes": [models.Index(fields=["item", "from_on"], name="price_step_by_day")],
                        "constraints": [
                            models.CheckConstraint(
                                condition=models.Q(("price__gte", 0)), name="price_step_not_negative"
                            )
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="Survey",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                        (
                            "expected_units",
                            models.PositiveIntegerField(
                                default=0, help_text="How many the customer or we expect."
                            ),
                        ),
                        (
                            "note",
                            models.TextField(
                                blank=True, help_text="For those who walk: where to begin, whom to ask."
                            ),
                        ),
                        ("planned_at", models.DateTimeField()),
                        (
                            "counts_stated",
                            models.JSONField(
                                blank=True, default=dict, help_text="Counts that were signed for."
                            ),
                        ),
                        ("finished_at", models.DateTimeField(blank=True, null=True)),
                        (
                            "outcome",
                            models.JSONField(blank=True, help_text="Frozen when it was finished.", null=True),
                        ),
                        ("outcome_digest", models.CharField(blank=True, max_length=64)),
                        (
                            "finished_by",
                            models.ForeignKey(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                        (
                            "planned_by",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                        (
                            "visit",
                            models.OneToOneField(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="survey",
                                to="schedules.visit",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["-planned_at", "-id"],
                        "indexes": [
                            models.Index(fields=["finished_at", "planned_at"], name="survey_by_state")
                        ],
                        "constraints": [
                            models.CheckConstraint(
                                condition=models.Q(
                                    models.Q(("finished_at__isnull", True), ("outcome__isnull", True)),
                                    models.Q(
                                        ("finished_at__isnull", False),
                                        ("finished_by__isnull", False),
                                        ("outcome__isnull", False),
                                    ),
                                    _connector="OR",
                                ),
                                name="survey_finished_is_whole",
                                violation_error_message="A finished survey says when, by whom and with what outcome.",
                            )
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="SurveyDecision",
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
                                help_text="Which difference: thing and what about it.", max_length=120
                            ),
                        ),
                        (
                            "choice",
                            models.CharField(
                                choices=[
                                    ("take", "Take what was found"),
                                    ("keep", "Keep the register"),
                                    ("ask", "Ask again"),
                                ],
                                max_length=4,
                            ),
                        ),
                        ("reason", models.CharField(blank=True, max_length=300)),
                        ("seen_digest", models.CharField(max_length=64)),
                        ("made_at", models.DateTimeField()),
                        (
                            "made_by",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                        (
                            "survey",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="decisions",
                                to="schedules.survey",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["survey_id", "id"],
                        "indexes": [models.Index(fields=["survey", "key"], name="survey_decision_by_key")],
                        "constraints": [
                            models.CheckConstraint(
                                condition=models.Q(
                                    ("choice", "take"),
                                    models.Q(("reason", ""), _negated=True),
                                    _connector="OR",
                                ),
                                name="survey_decision_says_why",
                                violation_error_message="Say why, or what is to be asked.",
                            )
                        ],
                    },
                ),
            ]
        ),
        migrations.RunPython(
            every(fence("schedules_certificateflag"), fence("schedules_pricestep")), migrations.RunPython.noop
        ),
        migrations.RunPython(first_steps, migrations.RunPython.noop),
        migrations.RunPython(
            every(
                fence_but_erasing("schedules_fieldact", "content"),
                fence_but_erasing(
                    "schedules_visitentry", "replacement", "checks", "parts", "marks", "readings", "remarks"
                ),
                fence_but_erasing("schedules_withdrawal", "reason"),
                fence_but_erasing("schedules_linedecision", "remark", "decided_name"),
                fence_but_erasing("schedules_planchange", "sentence", "before", "after"),
                fence("schedules_surveydecision"),
            ),
            migrations.RunPython.noop,
        ),
        migrations.AddConstraint(
            model_name="priceitem",
            constraint=models.UniqueConstraint(
                condition=models.Q(("is_active", True), models.Q(("bills", ""), _negated=True)),
                fields=("bills", "agent"),
                name="price_bills_once",
                violation_error_message="Another line in use prices this already.",
            ),
        ),
    ]
