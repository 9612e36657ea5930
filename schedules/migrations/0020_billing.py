import django.db.models.deletion
import uuid
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("inventory", "0016_terms"),
        ("schedules", "0019_certificate_flags"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
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
                ("position", models.PositiveIntegerField(help_text="Which line of that thing, from 1.")),
                ("is_live", models.BooleanField(default=True, help_text="No once the run was taken back.")),
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
                    models.CharField(help_text="What is billed, as price lines name it.", max_length=60),
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
                    models.BooleanField(default=False, help_text="Covered by the basis of price; no amount."),
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
                ("amount", models.DecimalField(blank=True, decimal_places=2, max_digits=14, null=True)),
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
            ],
            options={
                "ordering": ["run_id", "owner_id", "site_id", "on", "id"],
            },
        ),
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
                    models.DateField(help_text="First of a month; what was done before is not looked at."),
                ),
                ("until_on", models.DateField()),
                ("note", models.CharField(blank=True, max_length=200)),
                ("made_at", models.DateTimeField()),
                ("taken_back_at", models.DateTimeField(blank=True, null=True)),
                ("taken_back_reason", models.CharField(blank=True, max_length=200)),
                (
                    "exported_at",
                    models.DateTimeField(blank=True, help_text="When its file was last taken.", null=True),
                ),
            ],
            options={
                "ordering": ["-id"],
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
            ],
            options={
                "ordering": ["item_id", "from_on", "id"],
            },
        ),
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
        migrations.AddConstraint(
            model_name="priceitem",
            constraint=models.UniqueConstraint(
                condition=models.Q(("is_active", True), models.Q(("bills", ""), _negated=True)),
                fields=("bills", "agent"),
                name="price_bills_once",
                violation_error_message="Another line in use prices this already.",
            ),
        ),
        migrations.AddField(
            model_name="billingline",
            name="corrects",
            field=models.ForeignKey(
                blank=True,
                help_text="An earlier line.",
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="corrections",
                to="schedules.billingline",
            ),
        ),
        migrations.AddField(
            model_name="billingline",
            name="item",
            field=models.ForeignKey(
                blank=True,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="schedules.priceitem",
            ),
        ),
        migrations.AddField(
            model_name="billingline",
            name="owner",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT, related_name="+", to="inventory.owner"
            ),
        ),
        migrations.AddField(
            model_name="billingline",
            name="site",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT, related_name="+", to="inventory.site"
            ),
        ),
        migrations.AddField(
            model_name="billingline",
            name="unit",
            field=models.ForeignKey(
                blank=True,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to="inventory.unit",
            ),
        ),
        migrations.AddField(
            model_name="billingrun",
            name="made_by",
            field=models.ForeignKey(
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to=settings.AUTH_USER_MODEL,
            ),
        ),
        migrations.AddField(
            model_name="billingrun",
            name="owners",
            field=models.ManyToManyField(blank=True, related_name="billing_runs", to="inventory.owner"),
        ),
        migrations.AddField(
            model_name="billingrun",
            name="taken_back_by",
            field=models.ForeignKey(
                blank=True,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to=settings.AUTH_USER_MODEL,
            ),
        ),
        migrations.AddField(
            model_name="billingline",
            name="run",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT, related_name="lines", to="schedules.billingrun"
            ),
        ),
        migrations.AddField(
            model_name="pricestep",
            name="item",
            field=models.ForeignKey(
                on_delete=django.db.models.deletion.PROTECT, related_name="steps", to="schedules.priceitem"
            ),
        ),
        migrations.AddField(
            model_name="pricestep",
            name="made_by",
            field=models.ForeignKey(
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="+",
                to=settings.AUTH_USER_MODEL,
            ),
        ),
        migrations.AddConstraint(
            model_name="billingrun",
            constraint=models.CheckConstraint(
                condition=models.Q(("until_on__gte", models.F("first_on"))),
                name="billing_run_ordered",
                violation_error_message="The last day lies before the first.",
            ),
        ),
        migrations.AddConstraint(
            model_name="billingrun",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("taken_back_at__isnull", True),
                    models.Q(("taken_back_reason", ""), _negated=True),
                    _connector="OR",
                ),
                name="billing_run_back_says_why",
                violation_error_message="Say why the run is taken back.",
            ),
        ),
        migrations.AddIndex(
            model_name="billingline",
            index=models.Index(fields=["key"], name="billing_line_by_key"),
        ),
        migrations.AddIndex(
            model_name="billingline",
            index=models.Index(fields=["owner", "on"], name="billing_line_by_owner"),
        ),
        migrations.AddConstraint(
            model_name="billingline",
            constraint=models.UniqueConstraint(
                condition=models.Q(("is_live", True)),
                fields=("key", "position"),
                name="billed_once",
                violation_error_message="Another run billed this a moment ago.",
            ),
        ),
        migrations.AddConstraint(
            model_name="billingline",
            constraint=models.CheckConstraint(
                condition=models.Q(("quantity", 0), _negated=True), name="billing_line_quantity"
            ),
        ),
        migrations.AddConstraint(
            model_name="billingline",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("price__isnull", True), models.Q(("currency", ""), _negated=True), _connector="OR"
                ),
                name="billing_line_price_has_currency",
            ),
        ),
        migrations.AddIndex(
            model_name="pricestep",
            index=models.Index(fields=["item", "from_on"], name="price_step_by_day"),
        ),
        migrations.AddConstraint(
            model_name="pricestep",
            constraint=models.CheckConstraint(
                condition=models.Q(("price__gte", 0)), name="price_step_not_negative"
            ),
        ),
    ]
