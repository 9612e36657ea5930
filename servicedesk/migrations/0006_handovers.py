import django.db.models.deletion
import uuid
from django.conf import settings
from django.db import migrations, models

from inventory.appendonly import fence, fence_but_erasing


class Migration(migrations.Migration):
    dependencies = [
        ("inventory", "0019_erasures_and_service_ends"),
        ("servicedesk", "0005_register_imports"),
    ]

    operations = [
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
                        choices=[("site", "One site"), ("owner", "One owner"), ("firm", "The whole firm")],
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
                            models.Q(("level", "site"), ("owner__isnull", True), ("site__isnull", False)),
                            models.Q(("level", "owner"), ("owner__isnull", False), ("site__isnull", True)),
                            models.Q(("level", "firm"), ("owner__isnull", True), ("site__isnull", True)),
                            _connector="OR",
                        ),
                        name="handover_of_one_thing",
                        violation_error_message="A handover is of a site, of an owner or of the firm.",
                    )
                ],
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
        migrations.RunPython(fence("servicedesk_takeover"), migrations.RunPython.noop),
        migrations.RunPython(
            fence_but_erasing("servicedesk_handedrow", "content"), migrations.RunPython.noop
        ),
        migrations.RunPython(
            fence_but_erasing("servicedesk_labelprint", "reason"), migrations.RunPython.noop
        ),
    ]
