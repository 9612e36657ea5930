"""What was erased from the logbook, and where records that another house made come from.

A record's digest covers every word it states, so a word that is taken out would break the chain. An
erasure therefore is a link of the chain itself: it holds the digest that the record had, the digest
of what it reads as now, and a salted digest of each text that went. ``inventory.logbook.chain`` accepts
a record that does not give its own digest if, and only if, such a link says so.

The digests prove a text that somebody still holds; they do not give it back. Whoever guesses the text
can test the guess against them: a name is not hidden from somebody who may read the database and
knows whom to look for.
"""

from __future__ import annotations

import uuid

from django.conf import settings
from django.db import models

from inventory.appendonly import AppendOnly, AppendOnlyQuerySet
from inventory.logbook.models import ServiceRecord
from inventory.register.models import Unit


class ErasureQuerySet(AppendOnlyQuerySet["Erasure"]):
    pass


class Erasure(AppendOnly):
    """One request to erase personal data: why, by whom, what was changed and what had to be kept.

    Holds nothing about whom it was: that would keep what is to go.
    """

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    legal_basis = models.CharField(max_length=300, help_text="The rule or contract by which it is erased.")
    reason = models.CharField(max_length=300)
    changed = models.JSONField(default=list, help_text="Table, column and number of places changed.")
    kept = models.JSONField(default=list, help_text="What was kept, why, and until which day.")
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    made_by_name = models.CharField(max_length=150)
    made_at = models.DateTimeField()

    objects = ErasureQuerySet.as_manager()

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.CheckConstraint(
                condition=~models.Q(legal_basis="") & ~models.Q(reason=""),
                name="erasure_founded",
                violation_error_message="Give the legal basis and the reason.",
            )
        ]

    def __str__(self) -> str:
        return f"Erased on {self.made_at:%Y-%m-%d}"


class ErasedFieldQuerySet(AppendOnlyQuerySet["ErasedField"]):
    pass


class ErasedField(AppendOnly):
    """What one column of one row reads as after an erasure.

    The database lets a fenced row change only to what is written here (``appendonly.fence_but_erasing``);
    then ``reads_as`` is emptied, so that no word stands here that may have to go another day.
    """

    erasure = models.ForeignKey(Erasure, models.PROTECT, related_name="fields")
    table_name = models.CharField(max_length=60)
    row_id = models.BigIntegerField()
    column_name = models.CharField(max_length=60)
    reads_as = models.TextField(blank=True, help_text="The new value, as JSON; emptied once it stands.")
    salt = models.CharField(max_length=32)
    removed_digest = models.CharField(max_length=64, help_text="SHA-256 of the salt and the old value.")

    objects = ErasedFieldQuerySet.as_manager()

    class Meta:
        ordering = ["id"]
        indexes = [
            models.Index(fields=["table_name", "row_id", "column_name"], name="erased_field_of_row"),
        ]

    def __str__(self) -> str:
        return f"{self.table_name}.{self.column_name} of row {self.row_id}"


class ErasedRecordQuerySet(AppendOnlyQuerySet["ErasedRecord"]):
    pass


class ErasedRecord(AppendOnly):
    """A link of a unit's chain: this record lost words, and reads so and so since then."""

    public_id = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    erasure = models.ForeignKey(
        Erasure, models.PROTECT, null=True, related_name="records", help_text="Empty when another house did."
    )
    unit = models.ForeignKey(Unit, models.PROTECT, related_name="erased_records")
    record = models.ForeignKey(ServiceRecord, models.PROTECT, related_name="erasures")
    after_sequence = models.PositiveIntegerField(help_text="The last record of the unit when it was made.")
    position = models.PositiveIntegerField(help_text="Among the links after that record, from 1.")
    record_digest = models.CharField(max_length=64, help_text="The digest that the record was made with.")
    reads_as_digest = models.CharField(max_length=64, help_text="What it gives since the erasure.")
    removed = models.JSONField(default=list, help_text="By field: salt and SHA-256 of salt and old text.")
    made_at = models.DateTimeField()
    previous_digest = models.CharField(max_length=64)
    digest = models.CharField(max_length=64)

    objects = ErasedRecordQuerySet.as_manager()

    class Meta:
        ordering = ["unit_id", "after_sequence", "position"]
        constraints = [
            models.UniqueConstraint(
                fields=["unit", "after_sequence", "position"],
                name="erased_record_position_once",
                violation_error_message="Somebody erased on this unit a moment ago; try again.",
            )
        ]

    def __str__(self) -> str:
        return f"{self.record_id} reads as {self.reads_as_digest[:12]}"


class RecordOriginQuerySet(AppendOnlyQuerySet["RecordOrigin"]):
    pass


class RecordOrigin(AppendOnly):
    """Of a record that another house made: the row numbers there, which its digest covers.

    Without them the digest could not be worked out again here, where the same unit has another number.
    """

    record = models.OneToOneField(ServiceRecord, models.PROTECT, related_name="origin")
    house = models.UUIDField(help_text="The installation whose row numbers these are.")
    unit = models.BigIntegerField()
    site = models.BigIntegerField(null=True)
    location = models.BigIntegerField(null=True)
    by = models.BigIntegerField(null=True)
    corrects = models.BigIntegerField(null=True)
    has_gap_before = models.BooleanField(
        default=False, help_text="The record before it was not handed over: made at other premises."
    )

    objects = RecordOriginQuerySet.as_manager()

    class Meta:
        ordering = ["record_id"]

    def __str__(self) -> str:
        return f"record {self.record_id} of house {self.house}"
