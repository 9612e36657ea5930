import django.db.models.deletion
import uuid
from django.conf import settings
from django.db import migrations, models

from inventory.appendonly import fence
from inventory.manytables import CreateModels


class Migration(migrations.Migration):
    replaces = [
        ("inventory", "0001_initial"),
        ("inventory", "0002_initial"),
        ("inventory", "0003_append_only"),
        ("inventory", "0004_depots"),
        ("inventory", "0005_workshop"),
        ("inventory", "0006_workshop_append_only"),
        ("inventory", "0007_defects_and_photos"),
        ("inventory", "0008_unit_by_state"),
        ("inventory", "0009_site_language"),
        ("inventory", "0010_custody_stock_condition"),
        ("inventory", "0011_custody_append_only"),
        ("inventory", "0012_site_terms_and_blackouts"),
        ("inventory", "0013_leak_certainty"),
        ("inventory", "0014_owner_checks"),
    ]

    initial = True

    dependencies = [
        ("servicedesk", "0001_squashed_people"),
    ]

    operations = [
        CreateModels(
            [
                migrations.CreateModel(
                    name="Instrument",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                        (
                            "code",
                            models.CharField(
                                error_messages={"unique": "Another instrument carries this number."},
                                max_length=30,
                                unique=True,
                            ),
                        ),
                        (
                            "kind",
                            models.CharField(
                                choices=[
                                    ("scale", "Scale"),
                                    ("pressure_gauge", "Charging gauge or regulator"),
                                    ("test_gauge", "Test pump gauge"),
                                    ("expansion_rig", "Water-jacket rig"),
                                    ("leak_detector", "Tracer-gas detector"),
                                    ("thermometer", "Thermometer"),
                                ],
                                max_length=20,
                            ),
                        ),
                        ("description", models.CharField(blank=True, max_length=120)),
                        ("serial", models.CharField(blank=True, max_length=60)),
                        (
                            "due_on",
                            models.DateField(
                                blank=True,
                                help_text="Day on which its calibration runs out; empty when none is known.",
                                null=True,
                            ),
                        ),
                        ("is_retired", models.BooleanField(default=False)),
                        (
                            "version",
                            models.PositiveIntegerField(
                                default=1,
                                help_text="Rises with every change; a form that saw an older one is refused.",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["kind", "code"],
                    },
                ),
                migrations.CreateModel(
                    name="Item",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                        (
                            "code",
                            models.CharField(
                                error_messages={"unique": "Another item has this code."},
                                max_length=40,
                                unique=True,
                            ),
                        ),
                        ("name", models.CharField(max_length=160)),
                        (
                            "kind",
                            models.CharField(
                                choices=[
                                    ("agent", "Agent"),
                                    ("gas", "Gas"),
                                    ("part", "Part"),
                                    ("cartridge", "Cartridge"),
                                    ("label", "Label or tag"),
                                    ("collar", "Verification collar"),
                                    ("seal", "Seal or pin"),
                                ],
                                max_length=10,
                            ),
                        ),
                        (
                            "base_unit",
                            models.CharField(
                                choices=[
                                    ("g", "grams"),
                                    ("mL", "millilitres"),
                                    ("pcs", "pieces"),
                                    ("L", "litres of free gas"),
                                ],
                                max_length=3,
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
                        ("maker", models.CharField(blank=True, max_length=100)),
                        (
                            "is_lot_tracked",
                            models.BooleanField(default=False, help_text="Every amount names its lot."),
                        ),
                        (
                            "pack_size",
                            models.PositiveIntegerField(
                                default=1, help_text="What it is ordered in, base units."
                            ),
                        ),
                        (
                            "reorder_level",
                            models.PositiveIntegerField(
                                default=0, help_text="Never less than this in all stores."
                            ),
                        ),
                        (
                            "lead_days",
                            models.PositiveSmallIntegerField(
                                default=14, help_text="Days from order to delivery."
                            ),
                        ),
                        ("is_closed", models.BooleanField(default=False)),
                        ("version", models.PositiveIntegerField(default=1)),
                    ],
                    options={
                        "ordering": ["kind", "name", "id"],
                        "constraints": [
                            models.CheckConstraint(
                                condition=models.Q(("pack_size__gte", 1)),
                                name="item_pack_size",
                                violation_error_message="A pack holds at least one.",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(
                                    ("is_lot_tracked", True),
                                    models.Q(("kind__in", ("agent", "gas")), _negated=True),
                                    _connector="OR",
                                ),
                                name="item_agent_has_lots",
                                violation_error_message="Agent and gas are always kept by lot.",
                            ),
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="Lot",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                        ("lot_no", models.CharField(help_text="As the maker printed it.", max_length=60)),
                        ("maker", models.CharField(blank=True, max_length=100)),
                        ("supplier", models.CharField(blank=True, max_length=100)),
                        ("received_on", models.DateField()),
                        (
                            "expires_on",
                            models.DateField(
                                blank=True, help_text="Last day on which it may be used.", null=True
                            ),
                        ),
                        (
                            "state",
                            models.CharField(
                                choices=[
                                    ("open", "May be used"),
                                    ("held", "Held until decided"),
                                    ("recalled", "Recalled"),
                                    ("scrapped", "Scrapped"),
                                ],
                                default="open",
                                max_length=8,
                            ),
                        ),
                        ("remarks", models.TextField(blank=True)),
                        ("version", models.PositiveIntegerField(default=1)),
                        (
                            "item",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="lots",
                                to="inventory.item",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["item_id", "received_on", "id"],
                        "constraints": [
                            models.UniqueConstraint(
                                fields=("item", "lot_no"),
                                name="lot_once_per_item",
                                violation_error_message="This lot is entered already; add what came to it.",
                            )
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="LotSample",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("passed", models.BooleanField()),
                        ("test", models.CharField(max_length=160)),
                        ("figures", models.CharField(blank=True, max_length=300)),
                        (
                            "limit",
                            models.CharField(blank=True, help_text="And who states it.", max_length=160),
                        ),
                        ("on", models.DateField()),
                        ("made_at", models.DateTimeField(help_text="Server instant, UTC.")),
                        (
                            "lot",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="samples",
                                to="inventory.lot",
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
                        "ordering": ["-id"],
                    },
                ),
                migrations.CreateModel(
                    name="LotDecision",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        (
                            "decision",
                            models.CharField(
                                choices=[
                                    ("hold", "Hold"),
                                    ("release", "Release"),
                                    ("recall", "Recall"),
                                    ("scrap", "Scrap what is left"),
                                ],
                                max_length=8,
                            ),
                        ),
                        ("reason", models.CharField(max_length=300)),
                        ("made_at", models.DateTimeField(help_text="Server instant, UTC.")),
                        (
                            "lot",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="decisions",
                                to="inventory.lot",
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
                            "sample",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="decisions",
                                to="inventory.lotsample",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["-id"],
                    },
                ),
                migrations.CreateModel(
                    name="NumberSeries",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("name", models.CharField(max_length=40, unique=True)),
                        ("last", models.PositiveBigIntegerField(default=0)),
                    ],
                ),
                migrations.CreateModel(
                    name="Owner",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                        ("name", models.CharField(max_length=200, unique=True)),
                        ("contact_name", models.CharField(blank=True, max_length=120)),
                        ("contact_email", models.EmailField(blank=True, max_length=254)),
                        ("contact_phone", models.CharField(blank=True, max_length=40)),
                        ("created_at", models.DateTimeField(auto_now_add=True)),
                    ],
                    options={
                        "ordering": ["name", "id"],
                    },
                ),
                migrations.CreateModel(
                    name="UnitModel",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                        ("maker", models.CharField(blank=True, max_length=100)),
                        ("name", models.CharField(blank=True, max_length=120)),
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
                            "construction",
                            models.CharField(
                                choices=[
                                    ("stored_pressure", "Stored pressure"),
                                    ("cartridge", "Cartridge operated"),
                                    ("cylinder_operated", "Cylinder operated"),
                                    ("self_expelling", "Self-expelling"),
                                    ("inverting", "Inverting"),
                                    ("pump_tank", "Pump tank"),
                                    ("unknown", "Unknown construction"),
                                ],
                                max_length=24,
                            ),
                        ),
                        (
                            "shell",
                            models.CharField(
                                choices=[
                                    ("mild_steel", "Mild steel"),
                                    ("stainless_steel", "Stainless steel"),
                                    ("aluminium", "Aluminium"),
                                    ("brazed_brass", "Brazed brass"),
                                    ("soldered_brass", "Soldered brass"),
                                    ("alloy_steel_seamless", "Seamless steel cylinder"),
                                    ("composite", "Composite"),
                                    ("unknown", "Unknown shell"),
                                ],
                                max_length=24,
                            ),
                        ),
                        (
                            "cylinder_spec",
                            models.CharField(
                                blank=True, help_text="As stamped, e.g. 3AA or 4BW.", max_length=20
                            ),
                        ),
                        (
                            "charge_mass_g",
                            models.PositiveIntegerField(
                                blank=True, help_text="Agent mass, grams.", null=True
                            ),
                        ),
                        (
                            "charge_volume_ml",
                            models.PositiveIntegerField(
                                blank=True, help_text="Agent volume, millilitres.", null=True
                            ),
                        ),
                        (
                            "charge_text",
                            models.CharField(
                                blank=True, help_text="Charge as printed, e.g. 10 lb.", max_length=30
                            ),
                        ),
                        ("water_capacity_ml", models.PositiveIntegerField(blank=True, null=True)),
                        (
                            "working_pressure_kpa",
                            models.PositiveIntegerField(blank=True, help_text="Gauge, at 20 °C.", null=True),
                        ),
                        ("test_pressure_kpa", models.PositiveIntegerField(blank=True, null=True)),
                        (
                            "full_mass_g",
                            models.PositiveIntegerField(
                                blank=True, help_text="Gross mass when full.", null=True
                            ),
                        ),
                        ("is_wheeled", models.BooleanField(default=False)),
                        ("is_refillable", models.BooleanField(default=None, null=True)),
                        ("has_shutoff_hose", models.BooleanField(default=None, null=True)),
                        (
                            "build_key",
                            models.CharField(
                                editable=False,
                                help_text="Digest of all build data, so that an import meets the model it made before.",
                                max_length=64,
                                unique=True,
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["agent", "charge_mass_g", "charge_volume_ml", "maker", "id"],
                    },
                ),
                migrations.CreateModel(
                    name="LeakPeers",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
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
                                default="unknown",
                                max_length=24,
                            ),
                        ),
                        (
                            "measure",
                            models.CharField(
                                choices=[
                                    ("pressure", "Gauge pressure at 20 °C"),
                                    ("mass", "Mass of the charge"),
                                ],
                                max_length=8,
                            ),
                        ),
                        ("units", models.PositiveIntegerField()),
                        (
                            "loss",
                            models.FloatField(help_text="Share per year of a typical unit of the group."),
                        ),
                        ("loss_error", models.FloatField()),
                        ("peers_loss", models.FloatField(help_text="The same for all others of the kind.")),
                        (
                            "leakers",
                            models.FloatField(help_text="Expected number of units that are not sound."),
                        ),
                        ("is_flagged", models.BooleanField(default=False)),
                        ("why", models.CharField(blank=True, max_length=300)),
                        ("computed_at", models.DateTimeField()),
                        (
                            "lot",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="+",
                                to="inventory.lot",
                            ),
                        ),
                        (
                            "model",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="+",
                                to="inventory.unitmodel",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["-is_flagged", "-loss", "id"],
                    },
                ),
                migrations.CreateModel(
                    name="PartFit",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("pieces", models.PositiveSmallIntegerField(default=1)),
                        (
                            "item",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="fits",
                                to="inventory.item",
                            ),
                        ),
                        (
                            "model",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="parts",
                                to="inventory.unitmodel",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["model_id", "item_id"],
                        "constraints": [
                            models.UniqueConstraint(fields=("item", "model"), name="part_fit_once")
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="WorkshopDefault",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("key", models.CharField(max_length=60)),
                        (
                            "value",
                            models.CharField(
                                help_text="Figures as typed; empty puts the shipped value back.",
                                max_length=24,
                            ),
                        ),
                        ("reason", models.CharField(max_length=200)),
                        ("made_at", models.DateTimeField(help_text="Server instant, UTC.")),
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
                        "ordering": ["key", "id"],
                        "indexes": [models.Index(fields=["key", "-id"], name="workshop_default_by_key")],
                    },
                ),
                migrations.CreateModel(
                    name="Depot",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                        ("name", models.CharField(max_length=120, unique=True)),
                        ("address_line", models.CharField(blank=True, max_length=200)),
                        ("city", models.CharField(blank=True, max_length=100)),
                        ("region", models.CharField(blank=True, max_length=100)),
                        ("postcode", models.CharField(blank=True, max_length=20)),
                        (
                            "country",
                            models.CharField(blank=True, help_text="ISO 3166-1 alpha-2 code.", max_length=2),
                        ),
                        (
                            "latitude",
                            models.DecimalField(blank=True, decimal_places=6, max_digits=9, null=True),
                        ),
                        (
                            "longitude",
                            models.DecimalField(blank=True, decimal_places=6, max_digits=9, null=True),
                        ),
                        (
                            "time_zone",
                            models.CharField(
                                help_text="IANA name; shifts are wall times of this zone.", max_length=64
                            ),
                        ),
                        ("created_at", models.DateTimeField(auto_now_add=True)),
                    ],
                    options={
                        "ordering": ["name", "id"],
                        "constraints": [
                            models.CheckConstraint(
                                condition=models.Q(
                                    ("latitude__isnull", True),
                                    models.Q(("latitude__gte", -90), ("latitude__lte", 90)),
                                    _connector="OR",
                                ),
                                name="depot_latitude_range",
                                violation_error_message="Enter a latitude from -90 to 90 degrees.",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(
                                    ("longitude__isnull", True),
                                    models.Q(("longitude__gte", -180), ("longitude__lte", 180)),
                                    _connector="OR",
                                ),
                                name="depot_longitude_range",
                                violation_error_message="Enter a longitude from -180 to 180 degrees.",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(
                                    models.Q(("latitude__isnull", True), ("longitude__isnull", True)),
                                    models.Q(("latitude__isnull", False), ("longitude__isnull", False)),
                                    _connector="OR",
                                ),
                                name="depot_coordinates_together",
                                violation_error_message="Enter both latitude and longitude, or neither.",
                            ),
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="Site",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                        (
                            "code",
                            models.CharField(
                                help_text="Short code used on sheets and labels.", max_length=30, unique=True
                            ),
                        ),
                        ("name", models.CharField(max_length=200)),
                        ("address_line", models.CharField(blank=True, max_length=200)),
                        ("city", models.CharField(blank=True, max_length=100)),
                        ("region", models.CharField(blank=True, max_length=100)),
                        ("postcode", models.CharField(blank=True, max_length=20)),
                        (
                            "country",
                            models.CharField(blank=True, help_text="ISO 3166-1 alpha-2 code.", max_length=2),
                        ),
                        (
                            "latitude",
                            models.DecimalField(blank=True, decimal_places=6, max_digits=9, null=True),
                        ),
                        (
                            "longitude",
                            models.DecimalField(blank=True, decimal_places=6, max_digits=9, null=True),
                        ),
                        (
                            "time_zone",
                            models.CharField(
                                help_text="IANA name; due dates are civil dates of this zone.", max_length=64
                            ),
                        ),
                        (
                            "language",
                            models.CharField(
                                choices=[
                                    ("en", "English"),
                                    ("de", "German"),
                                    ("es", "Spanish"),
                                    ("fr", "French"),
                                ],
                                default="en",
                                help_text="In which the owner's people there are written to.",
                                max_length=8,
                            ),
                        ),
                        ("access_notes", models.TextField(blank=True)),
                        (
                            "monthly_checks_by",
                            models.CharField(
                                choices=[("owner", "The owner's own people"), ("firm", "The service firm")],
                                default="owner",
                                help_text="Who makes the monthly look-over. Those of the owner's people start no visit of ours.",
                                max_length=5,
                            ),
                        ),
                        ("created_at", models.DateTimeField(auto_now_add=True)),
                        (
                            "depot",
                            models.ForeignKey(
                                blank=True,
                                help_text="Whose territory it is; its technicians are preferred.",
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="sites",
                                to="inventory.depot",
                            ),
                        ),
                        (
                            "owner",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="sites",
                                to="inventory.owner",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["name", "id"],
                        "indexes": [models.Index(fields=["owner", "name"], name="site_by_owner")],
                        "constraints": [
                            models.CheckConstraint(
                                condition=models.Q(
                                    ("latitude__isnull", True),
                                    models.Q(("latitude__gte", -90), ("latitude__lte", 90)),
                                    _connector="OR",
                                ),
                                name="site_latitude_range",
                                violation_error_message="Enter a latitude from -90 to 90 degrees.",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(
                                    ("longitude__isnull", True),
                                    models.Q(("longitude__gte", -180), ("longitude__lte", 180)),
                                    _connector="OR",
                                ),
                                name="site_longitude_range",
                                violation_error_message="Enter a longitude from -180 to 180 degrees.",
                            ),
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="AccessWindow",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("weekday", models.PositiveSmallIntegerField(help_text="0 is Monday, 6 is Sunday.")),
                        ("opens_at", models.TimeField()),
                        ("closes_at", models.TimeField()),
                        (
                            "site",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="access_windows",
                                to="inventory.site",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["site_id", "weekday", "opens_at"],
                        "constraints": [
                            models.CheckConstraint(
                                condition=models.Q(("weekday__lte", 6)),
                                name="access_window_weekday",
                                violation_error_message="Weekdays run from 0 (Monday) to 6 (Sunday).",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(("closes_at__gt", models.F("opens_at"))),
                                name="access_window_ordered",
                                violation_error_message="The closing time must be later than the opening time.",
                            ),
                            models.UniqueConstraint(
                                fields=("site", "weekday", "opens_at"), name="access_window_once"
                            ),
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="Location",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                        ("number", models.CharField(max_length=30)),
                        ("building", models.CharField(blank=True, max_length=80)),
                        ("floor", models.CharField(blank=True, max_length=40)),
                        ("description", models.CharField(blank=True, max_length=200)),
                        ("hazard", models.CharField(blank=True, max_length=80)),
                        (
                            "environment",
                            models.CharField(
                                choices=[
                                    ("normal", "Indoors, normal"),
                                    ("outdoor", "Outdoors"),
                                    ("corrosive", "Corrosive air"),
                                    ("vehicle", "On a vehicle"),
                                    ("marine", "On board a ship"),
                                    ("unknown", "Unknown surroundings"),
                                ],
                                default="normal",
                                max_length=12,
                            ),
                        ),
                        ("walking_order", models.PositiveIntegerField(default=0)),
                        (
                            "site",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="locations",
                                to="inventory.site",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["site_id", "walking_order", "number", "id"],
                        "constraints": [
                            models.UniqueConstraint(
                                fields=("site", "number"),
                                name="location_number_once_per_site",
                                violation_error_message="Another location of this site already has this number.",
                            )
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="Photo",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        (
                            "public_id",
                            models.UUIDField(editable=False, help_text="Made by the client.", unique=True),
                        ),
                        (
                            "visit_ref",
                            models.UUIDField(
                                blank=True,
                                db_index=True,
                                help_text="Empty for a photo of the owner's people.",
                                null=True,
                            ),
                        ),
                        ("act_ref", models.UUIDField(blank=True, db_index=True, null=True)),
                        ("media_type", models.CharField(max_length=20)),
                        ("length", models.PositiveIntegerField(help_text="Bytes.")),
                        ("sha256", models.CharField(db_index=True, max_length=64)),
                        (
                            "received",
                            models.PositiveIntegerField(default=0, help_text="Bytes that have arrived."),
                        ),
                        (
                            "file_name",
                            models.CharField(
                                blank=True, help_text="Below the media folder, once whole.", max_length=120
                            ),
                        ),
                        ("width_px", models.PositiveIntegerField(null=True)),
                        ("height_px", models.PositiveIntegerField(null=True)),
                        (
                            "taken_at",
                            models.DateTimeField(blank=True, help_text="The device's clock.", null=True),
                        ),
                        ("created_at", models.DateTimeField()),
                        ("changed_at", models.DateTimeField()),
                        ("completed_at", models.DateTimeField(null=True)),
                        (
                            "made_by",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                        (
                            "site",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="photos",
                                to="inventory.site",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["id"],
                        "indexes": [
                            models.Index(fields=["completed_at", "changed_at"], name="photo_by_progress")
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="SiteTerms",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        (
                            "service_month",
                            models.PositiveSmallIntegerField(
                                blank=True,
                                help_text="Month of the yearly service, 1 to 12; empty: any.",
                                null=True,
                            ),
                        ),
                        (
                            "tolerance_days",
                            models.PositiveSmallIntegerField(
                                default=31,
                                help_text="So many days before and after that month still keep to it.",
                            ),
                        ),
                        (
                            "version",
                            models.PositiveIntegerField(default=1, help_text="Rises with every change."),
                        ),
                        (
                            "site",
                            models.OneToOneField(
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="terms",
                                to="inventory.site",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["site_id"],
                        "constraints": [
                            models.CheckConstraint(
                                condition=models.Q(
                                    ("service_month__isnull", True),
                                    models.Q(("service_month__gte", 1), ("service_month__lte", 12)),
                                    _connector="OR",
                                ),
                                name="site_terms_month_range",
                                violation_error_message="Months run from 1 (January) to 12 (December).",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(("tolerance_days__lte", 150)),
                                name="site_terms_tolerance_range",
                                violation_error_message="The tolerance is at most 150 days either side.",
                            ),
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="Store",
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
                                    ("store", "Store"),
                                    ("workshop", "Workshop"),
                                    ("van", "Van"),
                                    ("test_house", "Outside test house"),
                                ],
                                max_length=10,
                            ),
                        ),
                        (
                            "name",
                            models.CharField(
                                error_messages={"unique": "Another store has this name."},
                                max_length=120,
                                unique=True,
                            ),
                        ),
                        ("is_closed", models.BooleanField(default=False)),
                        ("version", models.PositiveIntegerField(default=1)),
                        (
                            "depot",
                            models.ForeignKey(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="stores",
                                to="inventory.depot",
                            ),
                        ),
                        (
                            "keeper",
                            models.ForeignKey(
                                blank=True,
                                help_text="Who answers for it; the driver of a van.",
                                null=True,
                                on_delete=django.db.models.deletion.SET_NULL,
                                related_name="stores",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["kind", "name"],
                    },
                ),
                migrations.CreateModel(
                    name="Unit",
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
                            models.CharField(
                                help_text="Our own number, on the identity label.", max_length=30, unique=True
                            ),
                        ),
                        (
                            "is_loaner",
                            models.BooleanField(
                                default=False, help_text="Ours, kept to hang where a unit is away."
                            ),
                        ),
                        (
                            "serial",
                            models.CharField(
                                blank=True, help_text="As read; empty when none is readable.", max_length=60
                            ),
                        ),
                        (
                            "state",
                            models.CharField(
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
                                ],
                                default="in_service",
                                max_length=20,
                            ),
                        ),
                        (
                            "made_first",
                            models.DateField(
                                blank=True, help_text="First day the manufacture mark can mean.", null=True
                            ),
                        ),
                        (
                            "made_last",
                            models.DateField(
                                blank=True, help_text="Last day the manufacture mark can mean.", null=True
                            ),
                        ),
                        (
                            "made_precision",
                            models.CharField(
                                choices=[
                                    ("day", "Day"),
                                    ("month", "Month"),
                                    ("quarter", "Quarter"),
                                    ("year", "Year"),
                                    ("unknown", "Unknown"),
                                ],
                                default="unknown",
                                max_length=8,
                            ),
                        ),
                        (
                            "made_raw",
                            models.CharField(blank=True, help_text="The mark as read.", max_length=60),
                        ),
                        ("commissioned_on", models.DateField(blank=True, null=True)),
                        (
                            "import_key",
                            models.CharField(
                                blank=True,
                                editable=False,
                                help_text="Identity of the register row this unit came from; a repeat of the import meets it.",
                                max_length=64,
                                null=True,
                                unique=True,
                            ),
                        ),
                        (
                            "doubts",
                            models.JSONField(
                                blank=True, default=list, help_text="What the register could not be sure of."
                            ),
                        ),
                        (
                            "facts_revision",
                            models.PositiveIntegerField(
                                default=1, help_text="Rises with every fact that moves dates."
                            ),
                        ),
                        ("created_at", models.DateTimeField(auto_now_add=True)),
                        (
                            "location",
                            models.ForeignKey(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="units",
                                to="inventory.location",
                            ),
                        ),
                        (
                            "site",
                            models.ForeignKey(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="units",
                                to="inventory.site",
                            ),
                        ),
                        (
                            "store",
                            models.ForeignKey(
                                blank=True,
                                help_text="The firm's place it stands in while it hangs nowhere.",
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="units",
                                to="inventory.store",
                            ),
                        ),
                        (
                            "model",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="units",
                                to="inventory.unitmodel",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["number", "id"],
                        "indexes": [
                            models.Index(fields=["site", "state", "number"], name="unit_by_site_state"),
                            models.Index(fields=["location"], name="unit_by_location"),
                            models.Index(fields=["serial"], name="unit_by_serial"),
                            models.Index(fields=["state"], name="unit_by_state"),
                        ],
                        "constraints": [
                            models.CheckConstraint(
                                condition=models.Q(
                                    models.Q(
                                        ("made_first__isnull", True),
                                        ("made_last__isnull", True),
                                        ("made_precision", "unknown"),
                                    ),
                                    models.Q(
                                        models.Q(("made_precision", "unknown"), _negated=True),
                                        ("made_first__isnull", False),
                                        ("made_last__gte", models.F("made_first")),
                                    ),
                                    _connector="OR",
                                ),
                                name="unit_made_consistent",
                                violation_error_message="A known manufacture date needs its first and last possible day.",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(
                                    ("location__isnull", True), ("site__isnull", False), _connector="OR"
                                ),
                                name="unit_location_has_site",
                                violation_error_message="A unit at a location must also be at that location's site.",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(
                                    ("location__isnull", True), ("store__isnull", True), _connector="OR"
                                ),
                                name="unit_hangs_or_stands",
                                violation_error_message="A unit hangs at a location or stands in a store, not both.",
                            ),
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="JobCard",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                        ("number", models.CharField(max_length=30, unique=True)),
                        (
                            "state",
                            models.CharField(
                                choices=[
                                    ("waiting", "Waiting"),
                                    ("in_work", "On the bench"),
                                    ("at_test_house", "At the test house"),
                                    ("to_release", "Awaits release"),
                                    ("released", "Ready to return"),
                                    ("returned", "Returned"),
                                    ("condemned", "Condemned, to be disposed of"),
                                    ("disposed", "Disposed of"),
                                    ("withdrawn", "Withdrawn"),
                                ],
                                default="waiting",
                                max_length=14,
                            ),
                        ),
                        (
                            "reason",
                            models.CharField(
                                choices=[
                                    ("due_work", "Work falls due"),
                                    ("used", "Used"),
                                    ("pressure_lost", "Pressure or mass lost"),
                                    ("damaged", "Damaged"),
                                    ("complaint", "Complaint or claim"),
                                ],
                                max_length=14,
                            ),
                        ),
                        (
                            "works",
                            models.JSONField(default=list, help_text="Codes of the tasks the card is for."),
                        ),
                        (
                            "decision",
                            models.CharField(
                                blank=True,
                                choices=[
                                    ("", "Not decided"),
                                    ("serve", "Put back into service"),
                                    ("test", "Pressure test first"),
                                    ("condemn", "Condemn"),
                                ],
                                default="",
                                max_length=8,
                            ),
                        ),
                        ("accessories", models.CharField(blank=True, max_length=200)),
                        ("remarks", models.TextField(blank=True)),
                        ("received_on", models.DateField(help_text="Civil day at the unit's site.")),
                        ("received_at", models.DateTimeField(help_text="Server instant, UTC.")),
                        (
                            "away_since_on",
                            models.DateField(blank=True, help_text="Day it was taken down.", null=True),
                        ),
                        ("promised_on", models.DateField(blank=True, null=True)),
                        (
                            "return_by_on",
                            models.DateField(
                                blank=True, help_text="Last day by the rule of the place.", null=True
                            ),
                        ),
                        ("return_rule", models.CharField(blank=True, max_length=200)),
                        ("released_at", models.DateTimeField(blank=True, null=True)),
                        ("closed_at", models.DateTimeField(blank=True, null=True)),
                        (
                            "version",
                            models.PositiveIntegerField(
                                default=1,
                                help_text="Rises with every change; a form that saw an older one is refused.",
                            ),
                        ),
                        (
                            "received_by",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                        (
                            "released_by",
                            models.ForeignKey(
                                blank=True,
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
                                related_name="job_cards",
                                to="inventory.unit",
                            ),
                        ),
                        (
                            "home",
                            models.ForeignKey(
                                blank=True,
                                help_text="Where it hung last.",
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to="inventory.location",
                            ),
                        ),
                        (
                            "site",
                            models.ForeignKey(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="job_cards",
                                to="inventory.site",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["promised_on", "id"],
                        "indexes": [
                            models.Index(fields=["state", "promised_on", "id"], name="job_card_queue"),
                            models.Index(fields=["unit", "-id"], name="job_card_by_unit"),
                        ],
                        "constraints": [
                            models.UniqueConstraint(
                                condition=models.Q(
                                    (
                                        "state__in",
                                        (
                                            "waiting",
                                            "in_work",
                                            "at_test_house",
                                            "to_release",
                                            "released",
                                            "condemned",
                                        ),
                                    )
                                ),
                                fields=("unit",),
                                name="job_card_open_once_per_unit",
                                violation_error_message="This unit already has an open job card.",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(
                                    ("promised_on__isnull", True),
                                    ("promised_on__gte", models.F("received_on")),
                                    _connector="OR",
                                ),
                                name="job_card_promise_ordered",
                                violation_error_message="The promised day cannot lie before the unit was received.",
                            ),
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="Loan",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                        (
                            "client_ref",
                            models.UUIDField(default=uuid.uuid4, help_text="A resend meets it.", unique=True),
                        ),
                        ("out_on", models.DateField()),
                        ("expected_back_on", models.DateField(blank=True, null=True)),
                        ("ended_on", models.DateField(blank=True, null=True)),
                        ("ref", models.UUIDField(blank=True, db_index=True, null=True)),
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
                            "in_place_of",
                            models.ForeignKey(
                                blank=True,
                                help_text="The unit away.",
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="covered_by",
                                to="inventory.unit",
                            ),
                        ),
                        (
                            "lent_by",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                        (
                            "loaner",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="loans",
                                to="inventory.unit",
                            ),
                        ),
                        (
                            "location",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="loans",
                                to="inventory.location",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["out_on", "id"],
                        "indexes": [
                            models.Index(fields=["ended_on", "expected_back_on"], name="loan_by_return")
                        ],
                        "constraints": [
                            models.UniqueConstraint(
                                condition=models.Q(("ended_on__isnull", True)),
                                fields=("loaner",),
                                name="loan_open_once_per_loaner",
                                violation_error_message="This loaner is out already.",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(
                                    ("ended_on__isnull", True),
                                    ("ended_on__gte", models.F("out_on")),
                                    _connector="OR",
                                ),
                                name="loan_ordered",
                                violation_error_message="A loan cannot end before it began.",
                            ),
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="Move",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        (
                            "client_ref",
                            models.UUIDField(default=uuid.uuid4, help_text="A resend meets it.", unique=True),
                        ),
                        (
                            "transaction",
                            models.UUIDField(
                                db_index=True, help_text="Moves that belong together: loan, exchange."
                            ),
                        ),
                        (
                            "from_state",
                            models.CharField(
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
                                ],
                                max_length=20,
                            ),
                        ),
                        (
                            "to_state",
                            models.CharField(
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
                                ],
                                max_length=20,
                            ),
                        ),
                        (
                            "on",
                            models.DateField(
                                help_text="Civil day of the move; empty when a file did not say.", null=True
                            ),
                        ),
                        ("reason", models.CharField(blank=True, max_length=200)),
                        (
                            "ref",
                            models.UUIDField(
                                blank=True,
                                db_index=True,
                                help_text="The visit or job card behind it.",
                                null=True,
                            ),
                        ),
                        ("made_at", models.DateTimeField(help_text="Server instant, UTC.")),
                        (
                            "from_location",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="moves_out",
                                to="inventory.location",
                            ),
                        ),
                        (
                            "moved_by",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                        (
                            "to_location",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="moves_in",
                                to="inventory.location",
                            ),
                        ),
                        (
                            "unit",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="moves",
                                to="inventory.unit",
                            ),
                        ),
                        (
                            "site",
                            models.ForeignKey(
                                help_text="The premises the unit belonged to then.",
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to="inventory.site",
                            ),
                        ),
                        (
                            "from_store",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="moves_out",
                                to="inventory.store",
                            ),
                        ),
                        (
                            "to_store",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="moves_in",
                                to="inventory.store",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["id"],
                        "indexes": [models.Index(fields=["unit", "-id"], name="move_by_unit")],
                        "constraints": [
                            models.CheckConstraint(
                                condition=models.Q(
                                    ("from_location__isnull", True),
                                    ("from_store__isnull", True),
                                    _connector="OR",
                                ),
                                name="move_from_one_place",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(
                                    ("to_location__isnull", True), ("to_store__isnull", True), _connector="OR"
                                ),
                                name="move_to_one_place",
                            ),
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="Placement",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        (
                            "from_on",
                            models.DateField(
                                blank=True,
                                help_text="Empty when the register does not say since when.",
                                null=True,
                            ),
                        ),
                        ("until_on", models.DateField(blank=True, null=True)),
                        ("is_open", models.BooleanField(default=True)),
                        ("reason", models.CharField(blank=True, max_length=120)),
                        ("created_at", models.DateTimeField(auto_now_add=True)),
                        (
                            "location",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="placements",
                                to="inventory.location",
                            ),
                        ),
                        (
                            "opened_by",
                            models.ForeignKey(
                                blank=True,
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
                                related_name="placements",
                                to="inventory.unit",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["unit_id", "id"],
                        "constraints": [
                            models.UniqueConstraint(
                                condition=models.Q(("is_open", True)),
                                fields=("unit",),
                                name="placement_open_once_per_unit",
                                violation_error_message="This unit already hangs somewhere else; close that placement first.",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(
                                    models.Q(("is_open", True), ("until_on__isnull", True)),
                                    ("is_open", False),
                                    _connector="OR",
                                ),
                                name="placement_open_has_no_end",
                                violation_error_message="A placement with an end is not open.",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(
                                    ("until_on__isnull", True),
                                    ("from_on__isnull", True),
                                    ("until_on__gte", models.F("from_on")),
                                    _connector="OR",
                                ),
                                name="placement_ordered",
                                violation_error_message="A placement cannot end before it began.",
                            ),
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="ServiceRecord",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        (
                            "client_ref",
                            models.UUIDField(
                                default=uuid.uuid4,
                                help_text="Made by the client; a resend meets it.",
                                unique=True,
                            ),
                        ),
                        (
                            "sequence",
                            models.PositiveIntegerField(
                                help_text="Position in the unit's own chain, from 1."
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
                        (
                            "outcome",
                            models.CharField(
                                choices=[
                                    ("passed", "Passed"),
                                    ("failed", "Failed"),
                                    ("not_found", "Not found"),
                                    ("no_access", "No access"),
                                    ("replaced", "Replaced by another unit"),
                                    ("removed", "Taken away"),
                                    ("void", "Void: the corrected record does not stand"),
                                ],
                                max_length=12,
                            ),
                        ),
                        (
                            "done_first",
                            models.DateField(
                                help_text="First civil day at the site that the date can mean.", null=True
                            ),
                        ),
                        ("done_last", models.DateField(null=True)),
                        (
                            "done_precision",
                            models.CharField(
                                choices=[
                                    ("day", "Day"),
                                    ("month", "Month"),
                                    ("quarter", "Quarter"),
                                    ("year", "Year"),
                                    ("unknown", "Unknown"),
                                ],
                                default="day",
                                max_length=8,
                            ),
                        ),
                        ("done_raw", models.CharField(blank=True, max_length=60)),
                        (
                            "method",
                            models.CharField(
                                blank=True, help_text="How a pressure test was made.", max_length=20
                            ),
                        ),
                        (
                            "evidence",
                            models.CharField(
                                choices=[
                                    ("own_work", "Done by us"),
                                    ("shell_stamp", "Stamp on the shell"),
                                    ("test_label", "Test label"),
                                    ("collar", "Verification collar"),
                                    ("tag", "Service tag"),
                                    ("owner_check", "Looked at by the owner's own people"),
                                    ("owner_paper", "Owner's papers"),
                                    ("word", "Word of mouth"),
                                ],
                                default="own_work",
                                max_length=12,
                            ),
                        ),
                        (
                            "visit_ref",
                            models.UUIDField(
                                blank=True, db_index=True, help_text="The visit it was made on.", null=True
                            ),
                        ),
                        ("performed_by_name", models.CharField(blank=True, max_length=150)),
                        ("instrument", models.CharField(blank=True, max_length=120)),
                        ("remarks", models.TextField(blank=True)),
                        (
                            "device_at",
                            models.DateTimeField(blank=True, help_text="The device's clock, UTC.", null=True),
                        ),
                        ("received_at", models.DateTimeField(help_text="Server instant, UTC.")),
                        ("correction_reason", models.CharField(blank=True, max_length=200)),
                        ("previous_digest", models.CharField(blank=True, max_length=64)),
                        ("digest", models.CharField(max_length=64)),
                        (
                            "corrects",
                            models.OneToOneField(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="corrected_by",
                                to="inventory.servicerecord",
                            ),
                        ),
                        (
                            "location",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="records",
                                to="inventory.location",
                            ),
                        ),
                        (
                            "performed_by",
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
                                related_name="records",
                                to="inventory.unit",
                            ),
                        ),
                        (
                            "site",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="records",
                                to="inventory.site",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["unit_id", "sequence"],
                        "indexes": [models.Index(fields=["site", "-received_at"], name="record_by_site")],
                        "constraints": [
                            models.UniqueConstraint(
                                fields=("unit", "sequence"),
                                name="record_sequence_once_per_unit",
                                violation_error_message="Somebody recorded on this unit a moment ago; send the record again.",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(
                                    models.Q(
                                        ("done_first__isnull", True),
                                        ("done_last__isnull", True),
                                        ("done_precision", "unknown"),
                                    ),
                                    models.Q(
                                        models.Q(("done_precision", "unknown"), _negated=True),
                                        ("done_first__isnull", False),
                                        ("done_last__gte", models.F("done_first")),
                                    ),
                                    _connector="OR",
                                ),
                                name="record_done_consistent",
                                violation_error_message="A known date needs its first and last possible day.",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(
                                    ("corrects__isnull", True),
                                    models.Q(("correction_reason", ""), _negated=True),
                                    _connector="OR",
                                ),
                                name="record_correction_has_reason",
                                violation_error_message="Say why the earlier record is corrected.",
                            ),
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="Reading",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        (
                            "quantity",
                            models.CharField(
                                help_text="A code of inventory.measures.readings.", max_length=30
                            ),
                        ),
                        (
                            "entered_value",
                            models.CharField(
                                help_text="The figures as typed, never converted.", max_length=24
                            ),
                        ),
                        ("entered_unit", models.CharField(max_length=12)),
                        (
                            "base_value",
                            models.FloatField(help_text="In the quantity's base unit (kPa gauge, g, °C)."),
                        ),
                        (
                            "verdict",
                            models.CharField(
                                choices=[
                                    ("inside", "Inside the limit"),
                                    ("outside", "Outside the limit"),
                                    ("unjudged", "Not judged"),
                                ],
                                default="unjudged",
                                max_length=10,
                            ),
                        ),
                        ("verdict_reason", models.CharField(blank=True, max_length=300)),
                        (
                            "record",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="readings",
                                to="inventory.servicerecord",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["record_id", "id"],
                        "constraints": [
                            models.UniqueConstraint(
                                fields=("record", "quantity"),
                                name="reading_once_per_record",
                                violation_error_message="This value was already given for this record.",
                            )
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="StockBalance",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("quantity", models.BigIntegerField(default=0)),
                        (
                            "item",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="balances",
                                to="inventory.item",
                            ),
                        ),
                        (
                            "lot",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="balances",
                                to="inventory.lot",
                            ),
                        ),
                        (
                            "store",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="balances",
                                to="inventory.store",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["store_id", "item_id", "lot_id"],
                        "constraints": [
                            models.UniqueConstraint(
                                condition=models.Q(("lot__isnull", False)),
                                fields=("store", "lot"),
                                name="stock_balance_of_lot",
                            ),
                            models.UniqueConstraint(
                                condition=models.Q(("lot__isnull", True)),
                                fields=("store", "item"),
                                name="stock_balance_of_item",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(("quantity__gte", 0)),
                                name="stock_balance_not_overdrawn",
                                violation_error_message="There is not that much left.",
                            ),
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="WasteDrum",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                        ("number", models.CharField(max_length=30, unique=True)),
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
                        ("capacity_g", models.PositiveIntegerField()),
                        ("opened_on", models.DateField()),
                        ("closed_on", models.DateField(blank=True, null=True)),
                        ("gone_on", models.DateField(blank=True, null=True)),
                        (
                            "transfer_note",
                            models.CharField(
                                blank=True, help_text="Number of the waste note.", max_length=80
                            ),
                        ),
                        ("version", models.PositiveIntegerField(default=1)),
                        (
                            "store",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="drums",
                                to="inventory.store",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["number"],
                        "constraints": [
                            models.CheckConstraint(
                                condition=models.Q(
                                    ("gone_on__isnull", True),
                                    models.Q(("transfer_note", ""), _negated=True),
                                    _connector="OR",
                                ),
                                name="drum_gone_with_note",
                                violation_error_message="Enter the number of the waste transfer note.",
                            )
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="StockMove",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        (
                            "client_ref",
                            models.UUIDField(help_text="One act of one person; a resend meets it."),
                        ),
                        ("line", models.PositiveSmallIntegerField(default=0)),
                        (
                            "quantity",
                            models.PositiveBigIntegerField(help_text="In the base unit of the item."),
                        ),
                        (
                            "from_account",
                            models.CharField(
                                choices=[
                                    ("store", "Store"),
                                    ("supplier", "Supplier"),
                                    ("unit", "Unit"),
                                    ("drum", "Waste drum"),
                                    ("spoiled", "Spoiled or lost"),
                                    ("counted", "Found different at a count"),
                                ],
                                max_length=8,
                            ),
                        ),
                        (
                            "to_account",
                            models.CharField(
                                choices=[
                                    ("store", "Store"),
                                    ("supplier", "Supplier"),
                                    ("unit", "Unit"),
                                    ("drum", "Waste drum"),
                                    ("spoiled", "Spoiled or lost"),
                                    ("counted", "Found different at a count"),
                                ],
                                max_length=8,
                            ),
                        ),
                        (
                            "ref",
                            models.UUIDField(
                                blank=True,
                                db_index=True,
                                help_text="The visit or job card behind it.",
                                null=True,
                            ),
                        ),
                        ("on", models.DateField()),
                        ("reason", models.CharField(blank=True, max_length=200)),
                        ("made_at", models.DateTimeField(help_text="Server instant, UTC.")),
                        (
                            "item",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="moves",
                                to="inventory.item",
                            ),
                        ),
                        (
                            "lot",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="moves",
                                to="inventory.lot",
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
                            "unit",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="stock_moves",
                                to="inventory.unit",
                            ),
                        ),
                        (
                            "from_store",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="stock_out",
                                to="inventory.store",
                            ),
                        ),
                        (
                            "to_store",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="stock_in",
                                to="inventory.store",
                            ),
                        ),
                        (
                            "drum",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="moves",
                                to="inventory.wastedrum",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["id"],
                        "indexes": [
                            models.Index(fields=["lot", "to_account", "unit"], name="stock_move_by_lot"),
                            models.Index(fields=["unit", "-id"], name="stock_move_by_unit"),
                            models.Index(fields=["item", "on"], name="stock_move_by_item"),
                        ],
                        "constraints": [
                            models.UniqueConstraint(fields=("client_ref", "line"), name="stock_move_once"),
                            models.CheckConstraint(
                                condition=models.Q(("quantity__gte", 1)), name="stock_move_moves_something"
                            ),
                            models.CheckConstraint(
                                condition=models.Q(
                                    models.Q(("from_account", "store"), ("from_store__isnull", False)),
                                    models.Q(
                                        models.Q(("from_account", "store"), _negated=True),
                                        ("from_store__isnull", True),
                                    ),
                                    _connector="OR",
                                ),
                                name="stock_move_from_one_account",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(
                                    models.Q(("to_account", "store"), ("to_store__isnull", False)),
                                    models.Q(
                                        models.Q(("to_account", "store"), _negated=True),
                                        ("to_store__isnull", True),
                                    ),
                                    _connector="OR",
                                ),
                                name="stock_move_to_one_account",
                            ),
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="BlackoutPeriod",
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
                                    ("shutdown", "Shutdown"),
                                    ("school", "School holidays or examinations"),
                                    ("harvest", "Harvest"),
                                    ("religious", "Religious holidays"),
                                    ("other", "Other"),
                                ],
                                default="other",
                                max_length=9,
                            ),
                        ),
                        ("label", models.CharField(max_length=80)),
                        ("first_on", models.DateField()),
                        ("last_on", models.DateField()),
                        (
                            "is_yearly",
                            models.BooleanField(
                                default=False, help_text="Comes again on these days every year."
                            ),
                        ),
                        (
                            "country",
                            models.CharField(blank=True, help_text="ISO 3166-1 alpha-2 code.", max_length=2),
                        ),
                        ("region", models.CharField(blank=True, max_length=100)),
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
                            "owner",
                            models.ForeignKey(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="blackouts",
                                to="inventory.owner",
                            ),
                        ),
                        (
                            "site",
                            models.ForeignKey(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="blackouts",
                                to="inventory.site",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["first_on", "id"],
                        "constraints": [
                            models.CheckConstraint(
                                condition=models.Q(("last_on__gte", models.F("first_on"))),
                                name="blackout_ordered",
                                violation_error_message="The last day lies before the first.",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(
                                    ("site__isnull", True),
                                    models.Q(("country", ""), ("owner__isnull", True), ("region", "")),
                                    _connector="OR",
                                ),
                                name="blackout_one_place",
                                violation_error_message="Name a site, or an owner, or a country and region: one of them.",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(
                                    ("owner__isnull", True),
                                    models.Q(("country", ""), ("region", "")),
                                    _connector="OR",
                                ),
                                name="blackout_owner_alone",
                                violation_error_message="Name an owner, or a country and region, not both.",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(
                                    ("region", ""), models.Q(("country", ""), _negated=True), _connector="OR"
                                ),
                                name="blackout_region_has_country",
                                violation_error_message="Name the country of the region.",
                            ),
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="CardEntry",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        (
                            "client_ref",
                            models.UUIDField(default=uuid.uuid4, help_text="A resend meets it.", unique=True),
                        ),
                        ("sequence", models.PositiveIntegerField(help_text="Position on the card, from 1.")),
                        (
                            "step",
                            models.CharField(
                                help_text="A code of inventory/workshop/steps.toml.", max_length=24
                            ),
                        ),
                        ("done_on", models.DateField(help_text="Civil day at the unit's site.")),
                        (
                            "values",
                            models.JSONField(
                                default=dict, help_text="By field: the value as entered, its unit of measure."
                            ),
                        ),
                        (
                            "verdict",
                            models.CharField(
                                choices=[
                                    ("inside", "Inside the limit"),
                                    ("outside", "Outside the limit"),
                                    ("unjudged", "Not judged"),
                                    ("done", "Done"),
                                ],
                                max_length=10,
                            ),
                        ),
                        (
                            "sentences",
                            models.JSONField(
                                default=list, help_text="Why it was judged so, with the source."
                            ),
                        ),
                        (
                            "flags",
                            models.JSONField(
                                default=list, help_text="What a reader must know beside the verdict."
                            ),
                        ),
                        ("remarks", models.TextField(blank=True)),
                        ("made_by_name", models.CharField(max_length=150)),
                        ("made_at", models.DateTimeField(help_text="Server instant, UTC.")),
                        ("correction_reason", models.CharField(blank=True, max_length=200)),
                        (
                            "corrects",
                            models.OneToOneField(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="corrected_by",
                                to="inventory.cardentry",
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
                            "card",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="entries",
                                to="inventory.jobcard",
                            ),
                        ),
                        (
                            "record",
                            models.ForeignKey(
                                help_text="The record it made, if any.",
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to="inventory.servicerecord",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["card_id", "sequence"],
                        "indexes": [models.Index(fields=["step", "done_on"], name="card_entry_by_step")],
                        "constraints": [
                            models.UniqueConstraint(
                                fields=("card", "sequence"), name="card_entry_sequence_once"
                            ),
                            models.CheckConstraint(
                                condition=models.Q(
                                    ("corrects__isnull", True),
                                    models.Q(("correction_reason", ""), _negated=True),
                                    _connector="OR",
                                ),
                                name="card_entry_correction_has_reason",
                                violation_error_message="Say why the earlier entry is corrected.",
                            ),
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="Defect",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                        (
                            "code",
                            models.CharField(
                                help_text="A code of inventory.measures.defects.", max_length=20
                            ),
                        ),
                        (
                            "severity",
                            models.CharField(
                                choices=[
                                    ("critical", "Critical"),
                                    ("non_critical", "Non-critical"),
                                    ("non_conformance", "Non-conformance"),
                                ],
                                max_length=16,
                            ),
                        ),
                        (
                            "action",
                            models.CharField(
                                blank=True, help_text="What is to be done, or was done.", max_length=200
                            ),
                        ),
                        ("remarks", models.TextField(blank=True)),
                        ("photo_refs", models.JSONField(blank=True, default=list)),
                        ("visit_ref", models.UUIDField(blank=True, db_index=True, null=True)),
                        (
                            "act_ref",
                            models.UUIDField(
                                blank=True, db_index=True, help_text="The act that stated it.", null=True
                            ),
                        ),
                        ("opened_on", models.DateField(help_text="Civil date at the site.")),
                        ("opened_at", models.DateTimeField()),
                        ("settled_at", models.DateTimeField(blank=True, null=True)),
                        ("settled_how", models.CharField(blank=True, max_length=200)),
                        ("is_void", models.BooleanField(default=False)),
                        (
                            "opened_by",
                            models.ForeignKey(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
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
                            "unit",
                            models.ForeignKey(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="defects",
                                to="inventory.unit",
                            ),
                        ),
                        (
                            "location",
                            models.ForeignKey(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="defects",
                                to="inventory.location",
                            ),
                        ),
                        (
                            "site",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="defects",
                                to="inventory.site",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["-opened_on", "-id"],
                        "indexes": [
                            models.Index(fields=["site", "settled_at"], name="defect_by_site"),
                            models.Index(fields=["unit", "settled_at"], name="defect_by_unit"),
                        ],
                        "constraints": [
                            models.CheckConstraint(
                                condition=models.Q(
                                    ("unit__isnull", False), ("location__isnull", False), _connector="OR"
                                ),
                                name="defect_is_about_something",
                                violation_error_message="A defect is one of a unit or of a place.",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(
                                    ("settled_at__isnull", True),
                                    models.Q(("settled_how", ""), _negated=True),
                                    _connector="OR",
                                ),
                                name="defect_settled_says_how",
                                violation_error_message="Say how the defect was settled.",
                            ),
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="GasCylinder",
                    fields=[
                        (
                            "lot",
                            models.OneToOneField(
                                on_delete=django.db.models.deletion.CASCADE,
                                primary_key=True,
                                related_name="cylinder",
                                serialize=False,
                                to="inventory.lot",
                            ),
                        ),
                        ("serial", models.CharField(max_length=60)),
                        (
                            "belongs_to",
                            models.CharField(
                                blank=True, help_text="Empty when it is our own.", max_length=100
                            ),
                        ),
                        ("water_capacity_ml", models.PositiveIntegerField(blank=True, null=True)),
                        ("full_pressure_kpa", models.PositiveIntegerField(blank=True, null=True)),
                        ("tested_on", models.DateField(blank=True, null=True)),
                        ("test_due_on", models.DateField(blank=True, null=True)),
                        ("rented_on", models.DateField(blank=True, null=True)),
                        ("handed_back_on", models.DateField(blank=True, null=True)),
                    ],
                    options={
                        "ordering": ["serial"],
                    },
                ),
                migrations.CreateModel(
                    name="HouseStay",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                        ("house", models.CharField(max_length=120)),
                        ("sent_on", models.DateField()),
                        ("due_back_on", models.DateField()),
                        ("returned_on", models.DateField(blank=True, null=True)),
                        ("certificate_number", models.CharField(blank=True, max_length=60)),
                        ("certificate", models.FileField(blank=True, upload_to="test-house/%Y/")),
                        ("certificate_sha256", models.CharField(blank=True, max_length=64)),
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
                            "card",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="stays",
                                to="inventory.jobcard",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["card_id", "id"],
                        "constraints": [
                            models.UniqueConstraint(
                                condition=models.Q(("returned_on__isnull", True)),
                                fields=("card",),
                                name="house_stay_open_once_per_card",
                                violation_error_message="This unit is at a test house already.",
                            ),
                            models.CheckConstraint(
                                condition=models.Q(("due_back_on__gte", models.F("sent_on"))),
                                name="house_stay_ordered",
                                violation_error_message="It cannot be due back before it was sent.",
                            ),
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="CardInstrument",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("due_on", models.DateField(null=True)),
                        ("was_in_calibration", models.BooleanField()),
                        (
                            "entry",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="instruments",
                                to="inventory.cardentry",
                            ),
                        ),
                        (
                            "instrument",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="uses",
                                to="inventory.instrument",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["entry_id", "id"],
                        "constraints": [
                            models.UniqueConstraint(
                                fields=("entry", "instrument"), name="card_instrument_once"
                            )
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="Calibration",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("done_on", models.DateField()),
                        ("due_on", models.DateField()),
                        ("certificate_ref", models.CharField(blank=True, max_length=80)),
                        ("made_at", models.DateTimeField(help_text="Server instant, UTC.")),
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
                            "instrument",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="calibrations",
                                to="inventory.instrument",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["instrument_id", "id"],
                        "constraints": [
                            models.CheckConstraint(
                                condition=models.Q(("due_on__gt", models.F("done_on"))),
                                name="calibration_ordered",
                                violation_error_message="The calibration must run out after the day it was made.",
                            )
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="LeakEstimate",
                    fields=[
                        (
                            "unit",
                            models.OneToOneField(
                                on_delete=django.db.models.deletion.CASCADE,
                                primary_key=True,
                                related_name="leak",
                                serialize=False,
                                to="inventory.unit",
                            ),
                        ),
                        (
                            "measure",
                            models.CharField(
                                choices=[
                                    ("pressure", "Gauge pressure at 20 °C"),
                                    ("mass", "Mass of the charge"),
                                ],
                                max_length=8,
                            ),
                        ),
                        (
                            "since_on",
                            models.DateField(
                                help_text="Day of the last recharge that the readings follow.", null=True
                            ),
                        ),
                        ("readings", models.PositiveSmallIntegerField()),
                        ("middle_on", models.DateField(help_text="Mean day of the readings.")),
                        (
                            "middle_offset_years",
                            models.FloatField(help_text="Rest of the mean beyond the whole day."),
                        ),
                        ("mean_level", models.FloatField()),
                        (
                            "spread",
                            models.FloatField(help_text="Sum of squared distances in time, square years."),
                        ),
                        (
                            "own_loss",
                            models.FloatField(
                                help_text="Share per year by its own readings alone.", null=True
                            ),
                        ),
                        ("rest", models.FloatField(default=0, help_text="Sum of squared residuals.")),
                        ("last_on", models.DateField()),
                        ("last_level", models.FloatField()),
                        ("loss", models.FloatField(help_text="Share per year, expected.", null=True)),
                        (
                            "loss_low",
                            models.FloatField(help_text="Lower end of the 90 % interval.", null=True),
                        ),
                        (
                            "loss_high",
                            models.FloatField(help_text="Upper end of the 90 % interval.", null=True),
                        ),
                        (
                            "leaker_share",
                            models.FloatField(help_text="Probability that it is no sound unit.", null=True),
                        ),
                        ("limit", models.FloatField(help_text="Level below which it must not fall.")),
                        (
                            "limit_on",
                            models.DateField(
                                help_text="Expected day; empty when beyond the horizon.", null=True
                            ),
                        ),
                        (
                            "limit_early_on",
                            models.DateField(help_text="With 98 % certainty not before this day.", null=True),
                        ),
                        (
                            "facts_revision",
                            models.PositiveIntegerField(
                                help_text="Of the unit when its readings were taken up."
                            ),
                        ),
                        ("computed_at", models.DateTimeField()),
                        (
                            "lot",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to="inventory.lot",
                            ),
                        ),
                        (
                            "model",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to="inventory.unitmodel",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["unit_id"],
                        "indexes": [
                            models.Index(fields=["limit_early_on"], name="leak_by_early_limit"),
                            models.Index(fields=["model", "measure"], name="leak_by_model"),
                            models.Index(fields=["lot"], name="leak_by_lot"),
                        ],
                    },
                ),
            ]
        ),
        migrations.RunPython(
            fence(
                "inventory_servicerecord",
                "inventory_reading",
                "inventory_cardentry",
                "inventory_cardinstrument",
                "inventory_calibration",
                "inventory_workshopdefault",
                "inventory_move",
                "inventory_stockmove",
                "inventory_lotsample",
                "inventory_lotdecision",
            ),
            migrations.RunPython.noop,
        ),
    ]
