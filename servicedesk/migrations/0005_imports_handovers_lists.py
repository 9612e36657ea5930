import django.db.models.deletion
import uuid
from django.conf import settings
from django.db import migrations, models

from inventory.appendonly import every, fence, fence_but_erasing
from inventory.manytables import CreateModels


class Migration(migrations.Migration):
    dependencies = [
        ("inventory", "0015_corrections_terms_claims_erasures"),
        ("schedules", "0019_surveys_billing_flags"),
        ("servicedesk", "0002_squashed_0004"),
    ]

    operations = [
        CreateModels(
            [
                migrations.CreateModel(
                    name="House",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                    ],
                ),
                migrations.CreateModel(
                    name="RegisterSource",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                        ("name", models.CharField(max_length=120, unique=True)),
                        (
                            "rank",
                            models.PositiveSmallIntegerField(
                                choices=[
                                    (10, "Stamp on the shell"),
                                    (20, "Nameplate"),
                                    (30, "Workshop record"),
                                    (40, "Test label, collar or tag"),
                                    (60, "Owner's list or papers"),
                                    (70, "Word of mouth"),
                                ],
                                default=60,
                                verbose_name="What its facts were read from",
                            ),
                        ),
                        ("made_at", models.DateTimeField(auto_now_add=True)),
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
                        "ordering": ["name", "id"],
                    },
                ),
                migrations.CreateModel(
                    name="RegisterImport",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
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
                                ],
                                default=60,
                            ),
                        ),
                        ("file_name", models.CharField(max_length=200)),
                        (
                            "stored_name",
                            models.CharField(blank=True, help_text="Below the media folder.", max_length=200),
                        ),
                        (
                            "digest",
                            models.CharField(db_index=True, help_text="SHA-256 of the file.", max_length=64),
                        ),
                        ("length", models.PositiveBigIntegerField(help_text="Bytes.")),
                        ("asked_at", models.DateTimeField()),
                        (
                            "state",
                            models.CharField(
                                choices=[
                                    ("settling", "Columns to settle"),
                                    ("reading", "Being read"),
                                    ("read", "Waits for your word"),
                                    ("storing", "Being stored"),
                                    ("dating", "Stored, due dates being worked out"),
                                    ("stored", "Stored"),
                                    ("undoing", "Being taken back"),
                                    ("undone", "Taken back"),
                                    ("dropped", "Put aside"),
                                ],
                                default="settling",
                                max_length=10,
                            ),
                        ),
                        ("columns", models.JSONField(blank=True, default=dict)),
                        ("answers", models.JSONField(blank=True, default=dict)),
                        ("counts", models.JSONField(blank=True, default=dict)),
                        ("error", models.CharField(blank=True, max_length=500)),
                        (
                            "version",
                            models.PositiveIntegerField(
                                default=1, help_text="Rises with every choice of rows."
                            ),
                        ),
                        ("stage", models.CharField(blank=True, max_length=80)),
                        ("done", models.PositiveIntegerField(default=0)),
                        ("total", models.PositiveIntegerField(default=0)),
                        ("claim", models.UUIDField(blank=True, null=True)),
                        ("heard_at", models.DateTimeField(blank=True, null=True)),
                        ("tries", models.PositiveSmallIntegerField(default=0)),
                        ("is_stop_asked", models.BooleanField(default=False)),
                        ("stored_at", models.DateTimeField(blank=True, null=True)),
                        (
                            "record_ranges",
                            models.JSONField(
                                blank=True, default=list, help_text="First and last id of its records."
                            ),
                        ),
                        ("undone_at", models.DateTimeField(blank=True, null=True)),
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
                            "stored_by",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                        (
                            "undone_by",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                        (
                            "source",
                            models.ForeignKey(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="imports",
                                to="servicedesk.registersource",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["-asked_at", "-id"],
                        "indexes": [models.Index(fields=["state"], name="import_by_state")],
                    },
                ),
                migrations.CreateModel(
                    name="SavedFilter",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                        (
                            "listing",
                            models.CharField(help_text="Which list, by the name of its page.", max_length=30),
                        ),
                        ("name", models.CharField(max_length=60)),
                        ("query", models.CharField(help_text="The query of the address.", max_length=1000)),
                        (
                            "is_shared",
                            models.BooleanField(default=False, help_text="Whether colleagues see it too."),
                        ),
                        ("created_at", models.DateTimeField(auto_now_add=True)),
                        (
                            "kept_by",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="saved_filters",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["name", "id"],
                        "constraints": [
                            models.UniqueConstraint(
                                fields=("kept_by", "listing", "name"),
                                name="saved_filter_name_once",
                                violation_error_message="You have a filter of this name on this list. Choose another name.",
                            )
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="SourceLayout",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("headings_digest", models.CharField(max_length=64)),
                        (
                            "columns",
                            models.JSONField(
                                default=dict, help_text="Field by position of the column; empty: not taken."
                            ),
                        ),
                        (
                            "answers",
                            models.JSONField(default=dict, help_text="What the file cannot say itself."),
                        ),
                        ("kept_at", models.DateTimeField()),
                        (
                            "kept_by",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                        (
                            "source",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="layouts",
                                to="servicedesk.registersource",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["source_id", "id"],
                        "constraints": [
                            models.UniqueConstraint(fields=("source", "headings_digest"), name="layout_once")
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="TakeOver",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                        (
                            "content_digest",
                            models.CharField(
                                help_text="SHA-256 of what the file holds; a repeat meets it.",
                                max_length=64,
                                unique=True,
                            ),
                        ),
                        ("house", models.UUIDField(help_text="The installation that handed it over.")),
                        ("house_name", models.CharField(blank=True, max_length=200)),
                        ("handed_over_at", models.DateTimeField()),
                        ("covers", models.JSONField(default=dict)),
                        ("counts", models.JSONField(default=dict, help_text="Rows added, by table.")),
                        ("notes", models.JSONField(default=list, help_text="What a reader must know.")),
                        ("taken_at", models.DateTimeField()),
                        (
                            "taken_by",
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
                    name="HandedRow",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("table_name", models.CharField(max_length=40)),
                        ("ref", models.CharField(help_text="Its identity in the file.", max_length=80)),
                        ("local_id", models.BigIntegerField(null=True)),
                        ("content", models.JSONField()),
                        (
                            "file_name",
                            models.CharField(
                                blank=True, help_text="Its paper, below the media folder.", max_length=120
                            ),
                        ),
                        ("sha256", models.CharField(blank=True, max_length=64)),
                        (
                            "owner",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="handed_rows",
                                to="inventory.owner",
                            ),
                        ),
                        (
                            "site",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="handed_rows",
                                to="inventory.site",
                            ),
                        ),
                        (
                            "take_over",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="rows",
                                to="servicedesk.takeover",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["id"],
                        "indexes": [
                            models.Index(fields=["table_name", "local_id"], name="handed_row_of_ours"),
                            models.Index(fields=["site", "table_name"], name="handed_row_by_site"),
                        ],
                        "constraints": [
                            models.UniqueConstraint(fields=("table_name", "ref"), name="handed_row_once")
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="HandoverRun",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("public_id", models.UUIDField(default=uuid.uuid4, editable=False, unique=True)),
                        (
                            "level",
                            models.CharField(
                                choices=[
                                    ("site", "One site"),
                                    ("owner", "One owner"),
                                    ("firm", "The whole firm"),
                                ],
                                max_length=5,
                            ),
                        ),
                        (
                            "form",
                            models.CharField(
                                choices=[
                                    ("json", "JSON, to be taken over by another house"),
                                    ("csv", "CSV tables"),
                                    ("xlsx", "XLSX workbook"),
                                ],
                                max_length=4,
                            ),
                        ),
                        ("with_papers", models.BooleanField(default=True)),
                        ("asked_at", models.DateTimeField()),
                        ("rows_total", models.PositiveIntegerField(default=0)),
                        ("rows_done", models.PositiveIntegerField(default=0)),
                        ("at_table", models.CharField(blank=True, max_length=40)),
                        ("is_stopped", models.BooleanField(default=False)),
                        ("claimed_until", models.DateTimeField(blank=True, null=True)),
                        ("finished_at", models.DateTimeField(blank=True, null=True)),
                        (
                            "file_name",
                            models.CharField(blank=True, help_text="Below the media folder.", max_length=120),
                        ),
                        ("file_length", models.PositiveBigIntegerField(default=0)),
                        ("file_sha256", models.CharField(blank=True, max_length=64)),
                        ("error", models.CharField(blank=True, max_length=300)),
                        (
                            "asked_by",
                            models.ForeignKey(
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
                                related_name="+",
                                to="inventory.owner",
                            ),
                        ),
                        (
                            "site",
                            models.ForeignKey(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="+",
                                to="inventory.site",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["-id"],
                        "constraints": [
                            models.CheckConstraint(
                                condition=models.Q(
                                    models.Q(
                                        ("level", "site"), ("owner__isnull", True), ("site__isnull", False)
                                    ),
                                    models.Q(
                                        ("level", "owner"), ("owner__isnull", False), ("site__isnull", True)
                                    ),
                                    models.Q(
                                        ("level", "firm"), ("owner__isnull", True), ("site__isnull", True)
                                    ),
                                    _connector="OR",
                                ),
                                name="handover_of_one_thing",
                                violation_error_message="A handover is of a site, of an owner or of the firm.",
                            )
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="ManyAct",
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
                            models.UUIDField(help_text="Made with the form; a resend meets it.", unique=True),
                        ),
                        ("listing", models.CharField(max_length=30)),
                        ("act", models.CharField(max_length=30)),
                        ("reason", models.CharField(blank=True, max_length=300)),
                        ("said", models.CharField(max_length=300)),
                        (
                            "changes",
                            models.JSONField(default=list, help_text="Rows changed: id, before, after."),
                        ),
                        ("refused", models.JSONField(default=list, help_text="Rows not changed: what, why.")),
                        ("made_at", models.DateTimeField()),
                        ("undone_at", models.DateTimeField(null=True)),
                        (
                            "made_by",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                        (
                            "undone_by",
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
                        "indexes": [models.Index(fields=["made_by", "-id"], name="many_act_by_person")],
                    },
                ),
                migrations.CreateModel(
                    name="ImportLine",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("row", models.PositiveIntegerField()),
                        (
                            "verdict",
                            models.CharField(
                                choices=[
                                    ("added", "New"),
                                    ("changed", "Changed"),
                                    ("unchanged", "Unchanged"),
                                    ("gone", "Gone here, left alone"),
                                    ("refused", "Refused"),
                                    ("missing", "Not in the file"),
                                ],
                                max_length=10,
                            ),
                        ),
                        ("number", models.CharField(blank=True, max_length=30)),
                        ("serial", models.CharField(blank=True, max_length=60)),
                        (
                            "place",
                            models.CharField(
                                blank=True, help_text="Site code and number of the place.", max_length=120
                            ),
                        ),
                        ("changes", models.JSONField(blank=True, default=list, help_text="What, old, new.")),
                        (
                            "extras",
                            models.JSONField(
                                blank=True, default=list, help_text="Heading and text of columns not taken."
                            ),
                        ),
                        ("is_left_out", models.BooleanField(default=False)),
                        (
                            "unit",
                            models.ForeignKey(
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to="inventory.unit",
                            ),
                        ),
                        (
                            "run",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="lines",
                                to="servicedesk.registerimport",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["run_id", "row", "id"],
                        "indexes": [
                            models.Index(fields=["run", "verdict", "row"], name="line_by_verdict"),
                            models.Index(fields=["run", "row"], name="line_by_row"),
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="ImportFinding",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        (
                            "row",
                            models.PositiveIntegerField(
                                help_text="As a spreadsheet numbers it; 0 is the whole file."
                            ),
                        ),
                        ("letter", models.CharField(blank=True, max_length=4)),
                        ("column", models.CharField(blank=True, max_length=200)),
                        ("code", models.CharField(max_length=40)),
                        ("severity", models.CharField(max_length=10)),
                        ("found", models.CharField(blank=True, max_length=200)),
                        ("becomes", models.CharField(blank=True, max_length=200)),
                        ("sentence", models.TextField()),
                        ("remedy", models.TextField(blank=True)),
                        (
                            "run",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="findings",
                                to="servicedesk.registerimport",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["run_id", "row", "id"],
                        "indexes": [
                            models.Index(fields=["run", "severity", "code", "row"], name="finding_by_code")
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="ImportEffect",
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
                                    ("owner", "Owner"),
                                    ("site", "Site"),
                                    ("location", "Place"),
                                    ("unit", "Unit"),
                                    ("adoption", "Interval table"),
                                ],
                                max_length=10,
                            ),
                        ),
                        ("target", models.BigIntegerField(help_text="Id of the row of the register.")),
                        ("is_added", models.BooleanField()),
                        ("before", models.JSONField(blank=True, default=dict)),
                        ("after", models.JSONField(blank=True, default=dict)),
                        ("is_undone", models.BooleanField(default=False)),
                        ("kept_because", models.CharField(blank=True, max_length=200)),
                        (
                            "run",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="effects",
                                to="servicedesk.registerimport",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["run_id", "id"],
                        "indexes": [
                            models.Index(fields=["run", "kind"], name="effect_by_kind"),
                            models.Index(fields=["kind", "target"], name="effect_by_target"),
                        ],
                    },
                ),
            ]
        ),
        migrations.RunPython(
            every(
                fence("servicedesk_takeover"),
                fence_but_erasing("servicedesk_handedrow", "content"),
                fence_but_erasing("servicedesk_labelprint", "reason"),
            ),
            migrations.RunPython.noop,
        ),
    ]
