import django.db.models.deletion
import uuid
from django.conf import settings
from django.db import migrations, models

from inventory.appendonly import fence
from inventory.manytables import CreateModels


class Migration(migrations.Migration):
    replaces = [
        ("servicedesk", "0002_notices"),
        ("servicedesk", "0003_labels"),
        ("servicedesk", "0004_owner_side"),
    ]

    initial = True

    dependencies = [
        ("inventory", "0001_squashed_0014"),
        ("schedules", "0001_squashed_0018"),
        ("servicedesk", "0001_squashed_people"),
    ]

    operations = [
        CreateModels(
            [
                migrations.CreateModel(
                    name="CalendarAddress",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("secret_sha256", models.CharField(max_length=64, unique=True)),
                        ("made_at", models.DateTimeField()),
                        (
                            "last_read_on",
                            models.DateField(
                                blank=True, help_text="UTC day on which it was last asked for.", null=True
                            ),
                        ),
                        (
                            "user",
                            models.OneToOneField(
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="calendar_address",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["id"],
                    },
                ),
                migrations.CreateModel(
                    name="Deadline",
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
                                help_text="Clock and event; one of each.", max_length=120, unique=True
                            ),
                        ),
                        (
                            "clock",
                            models.CharField(
                                help_text="A code of servicedesk/notices/clocks.toml.", max_length=60
                            ),
                        ),
                        ("started_at", models.DateTimeField()),
                        ("due_at", models.DateTimeField()),
                        ("done_at", models.DateTimeField(blank=True, null=True)),
                        (
                            "done_note",
                            models.CharField(
                                blank=True, help_text="To whom, how, reference.", max_length=300
                            ),
                        ),
                        (
                            "defect",
                            models.ForeignKey(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="deadlines",
                                to="inventory.defect",
                            ),
                        ),
                        (
                            "done_by",
                            models.ForeignKey(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                        (
                            "site",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="deadlines",
                                to="inventory.site",
                            ),
                        ),
                        (
                            "unit",
                            models.ForeignKey(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="deadlines",
                                to="inventory.unit",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["due_at", "id"],
                        "indexes": [models.Index(fields=["done_at", "due_at"], name="deadline_by_state")],
                        "constraints": [
                            models.CheckConstraint(
                                condition=models.Q(
                                    ("done_at__isnull", True),
                                    models.Q(("done_note", ""), _negated=True),
                                    _connector="OR",
                                ),
                                name="deadline_done_says_how",
                                violation_error_message="Say to whom it was told or given, and how.",
                            )
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="IdempotentAnswer",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("key", models.CharField(max_length=120)),
                        ("request_digest", models.CharField(max_length=64)),
                        ("status", models.PositiveSmallIntegerField()),
                        ("body", models.JSONField()),
                        ("created_at", models.DateTimeField(auto_now_add=True)),
                        (
                            "user",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="+",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["id"],
                        "constraints": [
                            models.UniqueConstraint(
                                fields=("user", "key"), name="idempotent_answer_once_per_user"
                            )
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="LabelPrint",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        ("batch", models.UUIDField(db_index=True, default=uuid.uuid4)),
                        (
                            "sort",
                            models.CharField(
                                choices=[
                                    ("unit", "Unit label"),
                                    ("location", "Location label"),
                                    ("tag", "Service tag"),
                                ],
                                max_length=8,
                            ),
                        ),
                        ("stock", models.CharField(max_length=40)),
                        (
                            "reason",
                            models.CharField(
                                blank=True, help_text="Why it was printed again.", max_length=200
                            ),
                        ),
                        ("printed_at", models.DateTimeField()),
                        (
                            "location",
                            models.ForeignKey(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="labels",
                                to="inventory.location",
                            ),
                        ),
                        (
                            "printed_by",
                            models.ForeignKey(
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
                                related_name="labels",
                                to="inventory.unit",
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["-printed_at", "-id"],
                        "constraints": [
                            models.CheckConstraint(
                                condition=models.Q(
                                    models.Q(("location__isnull", True), ("unit__isnull", False)),
                                    models.Q(("location__isnull", False), ("unit__isnull", True)),
                                    _connector="OR",
                                ),
                                name="label_of_one_thing",
                                violation_error_message="A label is of a unit or of a location.",
                            )
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="Notice",
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
                                    ("visit_ahead", "Before a visit"),
                                    ("falls_due", "What falls due, once a month"),
                                    ("overdue", "Overdue units, once a week"),
                                    ("critical", "A critical defect, at once"),
                                    ("day_list", "The day's exceptions, each morning"),
                                    ("clock", "A legal deadline that is close"),
                                    ("next_day", "The next day's visits, in the evening"),
                                ],
                                max_length=20,
                            ),
                        ),
                        (
                            "key",
                            models.CharField(
                                help_text="What it tells of; a second one to the address is none.",
                                max_length=200,
                            ),
                        ),
                        ("address", models.EmailField(max_length=254)),
                        ("language", models.CharField(max_length=8)),
                        ("subject", models.CharField(max_length=200)),
                        ("text", models.TextField()),
                        ("written_at", models.DateTimeField()),
                        ("next_try_at", models.DateTimeField()),
                        ("claimed_until", models.DateTimeField(blank=True, null=True)),
                        ("tries", models.PositiveSmallIntegerField(default=0)),
                        ("last_error", models.CharField(blank=True, max_length=300)),
                        ("sent_at", models.DateTimeField(blank=True, null=True)),
                        ("given_up_at", models.DateTimeField(blank=True, null=True)),
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
                            "person",
                            models.ForeignKey(
                                blank=True,
                                null=True,
                                on_delete=django.db.models.deletion.SET_NULL,
                                related_name="notices",
                                to=settings.AUTH_USER_MODEL,
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
                        "ordering": ["-written_at", "-id"],
                        "indexes": [
                            models.Index(
                                condition=models.Q(("given_up_at__isnull", True), ("sent_at__isnull", True)),
                                fields=["next_try_at"],
                                name="notice_waiting",
                            ),
                            models.Index(fields=["-written_at", "-id"], name="notice_newest"),
                        ],
                        "constraints": [
                            models.UniqueConstraint(fields=("key", "address"), name="notice_once")
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="NoticeChoice",
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
                                    ("visit_ahead", "Before a visit"),
                                    ("falls_due", "What falls due, once a month"),
                                    ("overdue", "Overdue units, once a week"),
                                    ("critical", "A critical defect, at once"),
                                    ("day_list", "The day's exceptions, each morning"),
                                    ("clock", "A legal deadline that is close"),
                                    ("next_day", "The next day's visits, in the evening"),
                                ],
                                max_length=20,
                            ),
                        ),
                        ("is_wanted", models.BooleanField()),
                        (
                            "person",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="notice_choices",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["person_id", "kind"],
                        "constraints": [
                            models.UniqueConstraint(fields=("person", "kind"), name="notice_choice_once")
                        ],
                    },
                ),
                migrations.CreateModel(
                    name="OwnerMembership",
                    fields=[
                        (
                            "id",
                            models.BigAutoField(
                                auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                            ),
                        ),
                        (
                            "is_limited",
                            models.BooleanField(
                                default=False, help_text="Whether only the chosen sites are seen."
                            ),
                        ),
                        (
                            "may_approve",
                            models.BooleanField(default=False, help_text="May decide on quotations."),
                        ),
                        ("created_at", models.DateTimeField(auto_now_add=True)),
                        (
                            "owner",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.PROTECT,
                                related_name="memberships",
                                to="inventory.owner",
                            ),
                        ),
                        (
                            "sites",
                            models.ManyToManyField(
                                blank=True,
                                help_text="Only these sites; none chosen: all of the owner's.",
                                related_name="limited_members",
                                to="inventory.site",
                            ),
                        ),
                        (
                            "user",
                            models.ForeignKey(
                                on_delete=django.db.models.deletion.CASCADE,
                                related_name="memberships",
                                to=settings.AUTH_USER_MODEL,
                            ),
                        ),
                    ],
                    options={
                        "ordering": ["user_id", "owner_id"],
                        "constraints": [
                            models.UniqueConstraint(
                                fields=("user", "owner"),
                                name="owner_membership_once",
                                violation_error_message="This person already belongs to this owner.",
                            )
                        ],
                    },
                ),
            ]
        ),
        migrations.RunPython(
            fence(
                "servicedesk_labelprint",
            ),
            migrations.RunPython.noop,
        ),
    ]
