"""What an act on site states, kind by kind; the phone and every other client send these."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rest_framework import serializers
from rest_framework.exceptions import ValidationError

from inventory.logbook.models import TASK_CHOICES, Defect
from inventory.measures.kinds import Task
from inventory.measures.plates import FACTS, SAID_LABELS
from inventory.register.models import ENVIRONMENT_CHOICES
from schedules.visits.acts import NO_ACCESS_REASONS
from schedules.visits.models import FieldAct
from servicedesk.api.records import METHOD_CHOICES
from servicedesk.api.visits import CountsSerializer, GivenReadingSerializer

Kind = FieldAct.Kind
MAX_STROKES, MAX_POINTS = 400, 8000
_LONG, _SHORT = 2000, 200


class StrictSerializer(serializers.Serializer[Any]):
    """Refuses a field that it does not know: a misspelt one would be lost without a word."""

    def to_internal_value(self, data: Any) -> Any:
        """The checked values."""
        if isinstance(data, Mapping):
            strange = sorted(str(name) for name in data.keys() - self.fields.keys())
            if strange:
                known = ", ".join(self.fields)
                raise ValidationError(
                    dict.fromkeys(strange, f"There is no such field here. Known are {known or 'none'}.")
                )
        return super().to_internal_value(data)


class DefectSerializer(StrictSerializer):
    """Something wrong; severity and action as the shipped list says where they are left out."""

    id = serializers.UUIDField(help_text="Made by the client.")
    code = serializers.CharField(max_length=20, help_text="A code of the pack's `defect_codes`.")
    severity = serializers.ChoiceField(choices=Defect.Severity.choices, required=False)
    action = serializers.CharField(max_length=_SHORT, required=False, allow_blank=True)
    remarks = serializers.CharField(max_length=_LONG, required=False, allow_blank=True)
    photos = serializers.ListField(child=serializers.UUIDField(), required=False, max_length=12)


class CheckAnswerSerializer(StrictSerializer):
    """The answer to one check."""

    code = serializers.CharField(max_length=40)
    answer = serializers.ChoiceField(choices=["pass", "fail", "not_applicable"])
    value = serializers.CharField(max_length=60, required=False, allow_blank=True)
    note = serializers.CharField(max_length=_SHORT, required=False, allow_blank=True)


class PartSerializer(StrictSerializer):
    """A part that was fitted."""

    code = serializers.CharField(max_length=40, required=False, allow_blank=True)
    text = serializers.CharField(max_length=80)
    count = serializers.IntegerField(min_value=1, max_value=1000)


class MarkSerializer(StrictSerializer):
    """A mark read off the shell, as it stands there."""

    what = serializers.ChoiceField(choices=[("made", "Made"), *((t.value, t.value) for t in Task)])
    mark = serializers.CharField(max_length=60)


class PlaceSerializer(StrictSerializer):
    """A place that the register does not know yet."""

    id = serializers.UUIDField(help_text="Made by the client.")
    number = serializers.CharField(max_length=30)
    building = serializers.CharField(max_length=80, required=False, allow_blank=True)
    floor = serializers.CharField(max_length=40, required=False, allow_blank=True)
    description = serializers.CharField(max_length=_SHORT, required=False, allow_blank=True)


class NamedUnitSerializer(StrictSerializer):
    """One of our units, by its id or by the number on its label."""

    unit = serializers.UUIDField(required=False)
    unit_number = serializers.CharField(max_length=30, required=False)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        """One of the two has to be there."""
        if not attrs:
            raise ValidationError({"unit_number": "Scan the label of the unit, or type its number."})
        return attrs


class SuccessorSerializer(StrictSerializer):
    """The unit that hangs there now: one of our stock, or a new one by model and manufacture mark."""

    unit = serializers.UUIDField(required=False)
    unit_number = serializers.CharField(max_length=30, required=False)
    model = serializers.UUIDField(required=False)
    serial = serializers.CharField(max_length=60, required=False, allow_blank=True)
    made = serializers.CharField(max_length=60, required=False, allow_blank=True)


class ReceiptSerializer(StrictSerializer):
    """Who was given a receipt for what was taken away, or why nobody was."""

    name = serializers.CharField(max_length=120, required=False, allow_blank=True)
    no_name_reason = serializers.CharField(max_length=_SHORT, required=False, allow_blank=True)


class FoundKindSerializer(StrictSerializer):
    """A kind of unit that no model of the register fits; unknown is a choice of each list."""

    agent = serializers.CharField(max_length=24)
    construction = serializers.CharField(max_length=24)
    charge_text = serializers.CharField(max_length=30, required=False, allow_blank=True)
    shell = serializers.CharField(max_length=24, required=False, allow_blank=True)
    maker = serializers.CharField(max_length=100, required=False, allow_blank=True)
    is_wheeled = serializers.BooleanField(required=False)


class SignatureSerializer(StrictSerializer):
    """A signature as it was drawn: lines of points on a field of this size."""

    width = serializers.IntegerField(min_value=1, max_value=10_000)
    height = serializers.IntegerField(min_value=1, max_value=10_000)
    strokes = serializers.ListField(
        child=serializers.ListField(
            child=serializers.ListField(child=serializers.FloatField(), min_length=2, max_length=2)
        ),
        max_length=MAX_STROKES,
        allow_empty=False,
    )

    def validate_strokes(self, strokes: list[list[list[float]]]) -> list[list[list[float]]]:
        """A drawing of bearable length."""
        if sum(map(len, strokes)) > MAX_POINTS:
            raise ValidationError(f"Send at most {MAX_POINTS} points: leave out those that lie close by.")
        return strokes


class NothingSerializer(StrictSerializer):
    """Nothing beyond the act itself."""


class WorkSerializer(StrictSerializer):
    """What was done on a unit and what came of it."""

    outcome = serializers.ChoiceField(choices=["serviced", "failed"])
    tasks = serializers.ListField(
        child=serializers.ChoiceField(choices=TASK_CHOICES), required=False, max_length=len(TASK_CHOICES)
    )
    checks = CheckAnswerSerializer(many=True, required=False)
    readings = GivenReadingSerializer(many=True, required=False)
    method = serializers.ChoiceField(choices=METHOD_CHOICES, required=False, allow_blank=True)
    parts = PartSerializer(many=True, required=False)
    defects = DefectSerializer(many=True, required=False)
    marks = MarkSerializer(many=True, required=False)
    serial = serializers.CharField(max_length=60, required=False, allow_blank=True)
    remarks = serializers.CharField(max_length=_LONG, required=False, allow_blank=True)


class NotFoundSerializer(StrictSerializer):
    """A unit that was looked for and not found."""

    remarks = serializers.CharField(max_length=_LONG, required=False, allow_blank=True)


class NoAccessSerializer(StrictSerializer):
    """Why a unit could not be reached, and who said so."""

    reason = serializers.ChoiceField(choices=list(NO_ACCESS_REASONS.items()))
    said_by = serializers.CharField(max_length=120, required=False, allow_blank=True)
    remarks = serializers.CharField(max_length=_LONG, required=False, allow_blank=True)


class FoundUnitSerializer(StrictSerializer):
    """A unit that hangs there and that no register knows."""

    model = serializers.UUIDField(required=False, help_text="A model of the pack, or else `kind`.")
    kind = FoundKindSerializer(required=False)
    serial = serializers.CharField(max_length=60, required=False, allow_blank=True)
    made = serializers.CharField(max_length=60, required=False, allow_blank=True)
    number = serializers.CharField(
        max_length=30, required=False, allow_blank=True, help_text="That of our own label, if it has one."
    )
    new_location = PlaceSerializer(required=False)
    remarks = serializers.CharField(max_length=_LONG, required=False, allow_blank=True)


class MovedSerializer(StrictSerializer):
    """A unit that hangs elsewhere now; the act's `location` says where, or `new_location` does."""

    new_location = PlaceSerializer(required=False)
    remarks = serializers.CharField(max_length=_LONG, required=False, allow_blank=True)


class SwappedSerializer(StrictSerializer):
    """The unit with which the act's unit changes places."""

    other = serializers.UUIDField()
    remarks = serializers.CharField(max_length=_LONG, required=False, allow_blank=True)


class ExchangedSerializer(StrictSerializer):
    """The unit that takes its place for good."""

    replacement = SuccessorSerializer()
    defects = DefectSerializer(many=True, required=False)
    receipt = ReceiptSerializer(required=False)
    remarks = serializers.CharField(max_length=_LONG, required=False, allow_blank=True)


class LentSerializer(StrictSerializer):
    """The loaner that hangs while the unit is in the workshop."""

    loaner = NamedUnitSerializer()
    reason = serializers.CharField(max_length=_SHORT)
    tasks = serializers.ListField(child=serializers.ChoiceField(choices=TASK_CHOICES), required=False)
    expected_back_on = serializers.DateField(required=False, allow_null=True)
    receipt = ReceiptSerializer(required=False)
    defects = DefectSerializer(many=True, required=False)
    remarks = serializers.CharField(max_length=_LONG, required=False, allow_blank=True)


class GivenBackSerializer(StrictSerializer):
    """An owner's unit hangs again; the loaner that stood in for it is taken along."""

    loaner = NamedUnitSerializer(required=False)
    receipt = ReceiptSerializer(required=False)


class CondemnedSerializer(StrictSerializer):
    """Why a unit is condemned, and what takes its place, if anything does."""

    code = serializers.CharField(max_length=20, help_text="The defect that condemns it.")
    replacement = SuccessorSerializer(required=False)
    defects = DefectSerializer(many=True, required=False)
    receipt = ReceiptSerializer(required=False)
    remarks = serializers.CharField(max_length=_LONG)


class UsedSerializer(StrictSerializer):
    """A unit that was used or lost its charge."""

    stays = serializers.BooleanField(help_text="Whether it stays where it hangs.")
    remarks = serializers.CharField(max_length=_LONG)
    defects = DefectSerializer(many=True, required=False)


class TakenAwaySerializer(StrictSerializer):
    """A unit taken to the workshop without a loaner in its place."""

    reason = serializers.CharField(max_length=_SHORT)
    tasks = serializers.ListField(child=serializers.ChoiceField(choices=TASK_CHOICES), required=False)
    receipt = ReceiptSerializer(required=False)
    defects = DefectSerializer(many=True, required=False)
    remarks = serializers.CharField(max_length=_LONG, required=False, allow_blank=True)


class SettledSerializer(StrictSerializer):
    """A defect that is put right, and how."""

    defect = serializers.UUIDField()
    how = serializers.CharField(max_length=_SHORT)


class UndoneSerializer(StrictSerializer):
    """An act of one's own that is taken back."""

    act = serializers.UUIDField()
    reason = serializers.CharField(max_length=_SHORT, required=False, allow_blank=True)


class ClosingSerializer(StrictSerializer):
    """What is stated when a visit is closed."""

    counts = CountsSerializer(required=False, help_text="Of a service visit.")
    survey_counts = serializers.DictField(
        child=serializers.IntegerField(min_value=0), required=False, help_text="Of a survey, as signed for."
    )
    acts_before = serializers.IntegerField(
        min_value=0, help_text="How many acts of this phone on this visit came before; all must be here."
    )
    done_on = serializers.DateField(required=False, allow_null=True)
    contact_name = serializers.CharField(max_length=120, required=False, allow_blank=True)
    no_signature_reason = serializers.CharField(max_length=_SHORT, required=False, allow_blank=True)
    signature = SignatureSerializer(required=False, allow_null=True)
    read_out = serializers.BooleanField(
        required=False, help_text="Whether critical defects were read out to somebody on site."
    )


class StampedTestSerializer(StrictSerializer):
    """One test date stamped in the shell, and the mark of who tested."""

    mark = serializers.CharField(max_length=60)
    tester = serializers.CharField(max_length=40, required=False, allow_blank=True)


class AnswerSerializer(StrictSerializer):
    """The answer to one fact: a value where it was read or estimated, else why there is none."""

    said = serializers.ChoiceField(choices=[(str(code), text) for code, text in SAID_LABELS.items()])
    value = serializers.CharField(max_length=120, required=False, allow_blank=True)
    marks = StampedTestSerializer(many=True, required=False)


class SurveyedPlaceSerializer(StrictSerializer):
    """A place as it is found: the act's `location` is its id, known or made by the client."""

    number = serializers.CharField(max_length=30)
    building = serializers.CharField(max_length=80, required=False, allow_blank=True)
    floor = serializers.CharField(max_length=40, required=False, allow_blank=True)
    description = serializers.CharField(max_length=_SHORT, required=False, allow_blank=True)
    environment = serializers.ChoiceField(choices=ENVIRONMENT_CHOICES, required=False, allow_blank=True)


class SurveyedUnitSerializer(StrictSerializer):
    """A unit as it is read; the act's `unit` is that of the register, or a new id for an extra one."""

    facts = serializers.DictField(help_text=f"By code: {', '.join(FACTS)}.")
    label = serializers.CharField(  # type: ignore[assignment]
        max_length=30, required=False, allow_blank=True, help_text="Number of our label that is on it now."
    )
    like = serializers.UUIDField(required=False, help_text="The unit whose kind was taken over.")
    defects = DefectSerializer(many=True, required=False)
    remarks = serializers.CharField(max_length=_LONG, required=False, allow_blank=True)

    def validate_facts(self, facts: dict[str, Any]) -> dict[str, Any]:
        """Each answer in its own form."""
        checked: dict[str, Any] = {}
        for code, given in facts.items():
            if code not in FACTS:
                raise ValidationError({code: f"There is no such fact. Known are {', '.join(FACTS)}."})
            answer = AnswerSerializer(data=given)
            if not answer.is_valid():
                raise ValidationError({code: answer.errors})
            checked[code] = answer.validated_data
        return checked


class SurveyedMissingSerializer(StrictSerializer):
    """A unit of the register that is not where it should hang, or that could not be reached."""

    state = serializers.ChoiceField(choices=[("not_found", "Not found"), ("no_access", "Not reached")])
    reason = serializers.CharField(
        max_length=20, required=False, help_text="A code of the pack's reasons for no access."
    )
    said_by = serializers.CharField(max_length=120, required=False, allow_blank=True)
    remarks = serializers.CharField(max_length=_LONG, required=False, allow_blank=True)

    def validate_reason(self, reason: str) -> str:
        """One of the list."""
        if reason not in NO_ACCESS_REASONS:
            raise ValidationError(f"Choose one of {', '.join(NO_ACCESS_REASONS)}.")
        return reason


CONTENTS: Mapping[str, type[StrictSerializer]] = {
    Kind.START: NothingSerializer,
    Kind.RESULT: WorkSerializer,
    Kind.NOT_FOUND: NotFoundSerializer,
    Kind.NO_ACCESS: NoAccessSerializer,
    Kind.ADD_UNIT: FoundUnitSerializer,
    Kind.MOVE_UNIT: MovedSerializer,
    Kind.SWAP_UNITS: SwappedSerializer,
    Kind.EXCHANGE: ExchangedSerializer,
    Kind.LEND: LentSerializer,
    Kind.GIVE_BACK: GivenBackSerializer,
    Kind.CONDEMN: CondemnedSerializer,
    Kind.USED: UsedSerializer,
    Kind.TO_WORKSHOP: TakenAwaySerializer,
    Kind.DEFECT: DefectSerializer,
    Kind.LOCATION_PROBLEM: DefectSerializer,
    Kind.SETTLE_DEFECT: SettledSerializer,
    Kind.SURVEY_PLACE: SurveyedPlaceSerializer,
    Kind.SURVEY_UNIT: SurveyedUnitSerializer,
    Kind.SURVEY_MISSING: SurveyedMissingSerializer,
    Kind.SURVEY_REMARK: DefectSerializer,
    Kind.UNDO: UndoneSerializer,
    Kind.CLOSE: ClosingSerializer,
}
