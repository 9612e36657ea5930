"""What the acts of a survey come to against the register: found, differs, missing, extra. Pure.

Everything is worked out anew from the acts in their own order and the register as it stands, so that
late, repeated and shuffled acts, two phones and a register that changes meanwhile need no rule of their
own. Readings of one unit by several people are merged fact by fact; where they contradict each other a
person decides. Nothing here writes.
"""

from __future__ import annotations

import hashlib
import json
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from enum import StrEnum
from typing import Any
from uuid import UUID

from inventory.measures.plates import (
    FACTS,
    Answer,
    AnswerError,
    Removal,
    Said,
    plain,
    read_answer,
    removals,
    same,
    sharper,
)
from inventory.measures.stamps import Stamp


class Status(StrEnum):
    """How a unit stands in a survey."""

    FOUND = "found"
    DIFFERS = "differs"
    MISSING = "missing"
    NOT_REACHED = "not_reached"
    OPEN = "open"
    EXTRA = "extra"


STATUS_LABELS: Mapping[Status, str] = {
    Status.FOUND: "Found",
    Status.DIFFERS: "Differs",
    Status.MISSING: "Missing",
    Status.NOT_REACHED: "Not reached",
    Status.OPEN: "Not looked for yet",
    Status.EXTRA: "Extra",
}

TAKE, KEEP, ASK = "take", "keep", "ask"


@dataclass(frozen=True, slots=True)
class Place:
    """A numbered place, as the register or somebody on site says."""

    ref: UUID
    number: str
    building: str = ""
    floor: str = ""
    description: str = ""
    environment: str = ""
    order: int = 0

    @property
    def words(self) -> str:
        """Number, and where to look."""
        where = ", ".join(part for part in (self.building, self.floor, self.description) if part)
        return f"{self.number}, {where}" if where else self.number


@dataclass(frozen=True, slots=True)
class Listed:
    """One unit as the register has it. ``values`` and ``words`` by code of the fact; unknown is absent.

    ``dated`` says when each task was last done by what the register holds, and whether we did it.
    """

    ref: UUID
    number: str
    kind_text: str
    place_ref: UUID | None
    values: Mapping[str, object]
    words: Mapping[str, str]
    dated: Mapping[str, tuple[Stamp, bool]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Stated:
    """One act of the survey; acts come in the order in which they were done."""

    act_id: UUID
    kind: str
    unit_ref: UUID | None
    place_ref: UUID | None
    content: Mapping[str, Any]
    by: str
    at: datetime


@dataclass(frozen=True, slots=True)
class Decided:
    """What a person decided of a difference, and the digest of what was looked at."""

    choice: str
    seen_digest: str
    reason: str = ""
    by: str = ""


@dataclass(frozen=True, slots=True)
class Difference:
    """Something on site that is not as the register says; ``choice`` is empty until a person settled it."""

    key: str
    what: str
    title: str
    subject: str
    register: str
    found: str
    act_id: UUID
    unit_ref: UUID | None = None
    place_ref: UUID | None = None
    by: str = ""
    note: str = ""
    photos: tuple[str, ...] = ()
    choice: str = ""
    reason: str = ""
    decided_by: str = ""
    was: str = ""
    """What was decided of an earlier state of it, which no longer holds."""

    def digest(self, choice: str) -> str:
        """What a decision for ``choice`` looked at. Asking again holds until somebody reads anew."""
        seen = [self.key, self.register, self.found, str(self.act_id) if choice == ASK else ""]
        return hashlib.sha256(json.dumps(seen, ensure_ascii=False).encode()).hexdigest()

    @property
    def is_open(self) -> bool:
        """Whether it still keeps the survey from being finished."""
        return self.choice in ("", ASK)


@dataclass(slots=True)
class Reading:
    """The answer to a fact that counts, who gave it, and what others read instead."""

    answer: Answer
    by: str
    act_id: UUID
    contested: list[str] = field(default_factory=list)


@dataclass(slots=True)
class Seen:
    """One unit of the survey: on the register, on site, or both."""

    ref: UUID
    status: Status
    listed: Listed | None = None
    place_ref: UUID | None = None
    readings: dict[str, Reading] = field(default_factory=dict)
    label: str = ""
    defects: list[dict[str, Any]] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    photos: list[str] = field(default_factory=list)
    acts: list[Stated] = field(default_factory=list)
    why_missing: str = ""
    fills: list[str] = field(default_factory=list)
    """Facts that the register does not hold, or holds less closely, and that were read."""
    removals: tuple[Removal, ...] = ()
    aliases: set[UUID] = field(default_factory=set)

    @property
    def number(self) -> str:
        """How to call it."""
        if self.listed is not None:
            return self.listed.number
        serial = self.readings.get("serial")
        if self.label:
            return self.label
        return f"serial {serial.answer.text}" if serial and serial.answer.is_read else "no label yet"

    @property
    def kind_text(self) -> str:
        """Charge, agent and construction as read; as registered where they were not."""
        read = {code: one.answer.words for code, one in self.readings.items() if one.answer.is_read}
        parts = [
            read.get("charge", ""),
            read.get("agent_text", "") if "agent_text" in read else read.get("agent", ""),
        ]
        text = " ".join(part for part in parts if part)
        if text and "construction" in read:
            text += f", {read['construction'].lower()}"
        return text or (self.listed.kind_text if self.listed else "Kind not known")

    @property
    def unread(self) -> list[tuple[str, str]]:
        """Label and answer of each fact that could not be read."""
        return [
            (FACTS[code].label, one.answer.words)
            for code, one in self.readings.items()
            if not one.answer.is_read
        ]

    @property
    def last(self) -> Stated | None:
        """The last act about it."""
        return self.acts[-1] if self.acts else None


@dataclass(frozen=True, slots=True)
class Remark:
    """A remark on a place, not on a unit: a recommendation."""

    act_id: UUID
    place_ref: UUID | None
    content: Mapping[str, Any]
    by: str


@dataclass(slots=True)
class Walk:
    """A survey as it stands."""

    units: list[Seen] = field(default_factory=list)
    places: dict[UUID, Place] = field(default_factory=dict)
    new_places: list[UUID] = field(default_factory=list)
    walked: list[UUID] = field(default_factory=list)
    """Places in the order in which somebody stood there."""
    same_place: dict[UUID, UUID] = field(default_factory=dict)
    place_fills: dict[UUID, list[str]] = field(default_factory=dict)
    differences: list[Difference] = field(default_factory=list)
    remarks: list[Remark] = field(default_factory=list)
    lacking: list[str] = field(default_factory=list)
    """What has been named and not arrived yet."""

    @property
    def counts(self) -> dict[str, int]:
        """Counts that add up: on the list = found + differs + missing + not reached + open."""
        found = Counter(unit.status for unit in self.units)
        counts = {status.value: found[status] for status in Status}
        return {"on_list": len(self.units) - found[Status.EXTRA], **counts}

    @property
    def open_differences(self) -> list[Difference]:
        """Those that nobody has settled, or that are being asked about."""
        return [one for one in self.differences if one.is_open]

    def place_of(self, ref: UUID | None) -> Place | None:
        """The place of that id, through places that turned out to be one."""
        if ref is None:
            return None
        return self.places.get(self.same_place.get(ref, ref))


def evaluate(
    listed: Sequence[Listed],
    places: Iterable[Place],
    acts: Sequence[Stated],
    decided: Mapping[str, Decided],
    *,
    today: date,
) -> Walk:
    """Work out how a survey stands.

    ``acts`` are those that count, in order; ``decided`` the last decision on each key; ``today`` the
    civil date at the site.
    """
    return _Evaluation(listed, places, acts, decided, today).walk


class _Evaluation:
    def __init__(
        self,
        listed: Sequence[Listed],
        places: Iterable[Place],
        acts: Sequence[Stated],
        decided: Mapping[str, Decided],
        today: date,
    ) -> None:
        self.decided, self.today = decided, today
        self.walk = Walk()
        self.on_register = {place.ref: place for place in places}
        self.listed = {one.ref: one for one in listed}
        self.by_number = {plain(one.number): one.ref for one in listed}
        self._places(acts)
        self._units(acts, self._aliases(acts))
        order = {unit.ref: position for position, unit in enumerate(self.walk.units)}
        self.walk.differences.sort(
            key=lambda one: (
                (1, order[one.unit_ref], one.key)
                if one.unit_ref in order
                else (0, *self._position(one.place_ref)[:2], one.key)
            )
        )

    # --- places ---------------------------------------------------------------------------------

    def _places(self, acts: Sequence[Stated]) -> None:
        walk = self.walk
        walk.places.update(self.on_register)
        numbers = {plain(place.number): place.ref for place in self.on_register.values()}
        fixed: dict[UUID, tuple[Stated, Place]] = {}
        first_by: dict[UUID, str] = {}
        for act in acts:
            if act.place_ref is not None and act.place_ref not in walk.walked:
                walk.walked.append(act.place_ref)
            if act.kind == "survey_place" and act.place_ref is not None:
                given = act.content
                said: dict[str, Any] = {
                    name: str(given.get(name) or "").strip()
                    for name in ("building", "floor", "description", "environment")
                }
                fixed[act.place_ref] = act, Place(act.place_ref, str(given["number"]).strip(), **said)
                first_by.setdefault(act.place_ref, act.by)
        for ref, (act, place) in fixed.items():
            if ref in self.on_register:
                self._place_differs(act, self.on_register[ref], place)
                continue
            taken = numbers.get(plain(place.number))
            if taken is None:
                numbers[plain(place.number)] = ref
            elif taken in self.on_register or first_by.get(taken) == act.by:
                # The number is what stands there: the same one is the same place.
                walk.same_place[ref] = taken
                continue
            else:
                self._same_number(act, place, walk.places[taken])
                if self._choice_of(f"P:{ref}:number") == TAKE:
                    walk.same_place[ref] = taken
                    continue
            walk.places[ref] = place
            walk.new_places.append(ref)
        walk.lacking += [
            f"A place that {act.by} stood at has not arrived yet."
            for act in acts
            if act.place_ref is not None
            and act.place_ref not in walk.places
            and act.place_ref not in walk.same_place
        ]

    def _place_differs(self, act: Stated, was: Place, now: Place) -> None:
        """Details of a known place: what is blank is filled, what differs is asked about."""
        names = ("number", "building", "floor", "description", "environment")
        differing: list[str] = []
        fills: list[str] = []
        for name in names:
            old, new = getattr(was, name), getattr(now, name)
            if not new or plain(old) == plain(new):
                continue
            (differing if old else fills).append(name)
        if differing:
            self._add(
                f"P:{was.ref}:place",
                "place_details",
                "Place described differently",
                was.number,
                "; ".join(f"{name}: {getattr(was, name)}" for name in differing),
                "; ".join(f"{name}: {getattr(now, name)}" for name in differing),
                act,
                place_ref=was.ref,
            )
            if self._choice_of(f"P:{was.ref}:place") == TAKE:
                fills += differing
        if fills:
            self.walk.place_fills[was.ref] = fills
            changed = {name: getattr(now if name in fills else was, name) for name in names}
            self.walk.places[was.ref] = Place(was.ref, **changed, order=was.order)

    def _same_number(self, act: Stated, place: Place, other: Place) -> None:
        self._add(
            f"P:{place.ref}:number",
            "same_number",
            "Two places with one number",
            place.number,
            f"{other.words} (fixed by a colleague)",
            place.words,
            act,
            place_ref=place.ref,
            note="Take: it is one place. Keep: two places; the second gets the next free number.",
        )

    # --- units ----------------------------------------------------------------------------------

    def _aliases(self, acts: Sequence[Stated]) -> dict[UUID, UUID]:
        """Units that were read under another id: by our label at once, by serial when a person says so."""
        alias: dict[UUID, UUID] = {}
        by_label: dict[str, UUID] = {}
        by_serial: dict[str, UUID] = {}
        serials: dict[UUID, str] = {
            ref: str(one.values["serial"]) for ref, one in self.listed.items() if one.values.get("serial")
        }
        for known, marked in serials.items():
            by_serial.setdefault(marked, known)
        self.twins: dict[UUID, UUID] = {}
        for act in acts:
            ref = act.unit_ref
            if act.kind != "survey_unit" or ref is None or ref in self.listed or ref in alias:
                continue
            if label := plain(str(act.content.get("label") or "")):
                other = self.by_number[label] if label in self.by_number else by_label.setdefault(label, ref)
                if other != ref:
                    alias[ref] = other
                    continue
            serial = self._text_of(act, "serial")
            twin = by_serial.setdefault(serial, ref) if serial else ref
            if twin != ref:
                self.twins[ref] = twin
                if self._choice_of(f"U:{ref}:twin") == TAKE:
                    alias[ref] = twin
        return alias

    def _text_of(self, act: Stated, code: str) -> str:
        given = (act.content.get("facts") or {}).get(code) or {}
        return plain(str(given.get("value") or "")) if given.get("said") == Said.READ else ""

    def _units(self, acts: Sequence[Stated], alias: Mapping[UUID, UUID]) -> None:
        groups: dict[UUID, list[Stated]] = defaultdict(list)
        joined: dict[UUID, set[UUID]] = defaultdict(set)
        for act in acts:
            if act.kind == "survey_remark":
                self.walk.remarks.append(Remark(act.act_id, act.place_ref, act.content, act.by))
            elif act.kind in ("survey_unit", "survey_missing") and act.unit_ref is not None:
                ref = act.unit_ref
                while ref in alias:
                    ref = alias[ref]
                groups[ref].append(act)
                if ref != act.unit_ref:
                    joined[ref].add(act.unit_ref)
        for ref, one in self.listed.items():
            self._unit(Seen(ref, Status.OPEN, one, acts=groups.pop(ref, []), aliases=joined[ref]))
        for ref, stated in groups.items():
            if any(act.kind == "survey_unit" for act in stated):
                self._unit(Seen(ref, Status.EXTRA, acts=stated, aliases=joined[ref]))
        for ref, other in self.twins.items():
            self._twin(ref, other)
        self.walk.units.sort(key=self._unit_position)

    def _unit(self, seen: Seen) -> None:
        self.walk.units.append(seen)
        reads = [act for act in seen.acts if act.kind == "survey_unit"]
        for act in reads:
            self._merge(seen, act)
        seen.removals = removals(self._known(seen))
        if seen.listed is None:
            self._extra(seen, reads[-1])
        elif reads:
            # Somebody who stood before it outweighs somebody who did not find it.
            self._compare(seen, seen.listed, reads[-1])
        elif seen.last is not None:
            self._not_there(seen, seen.listed, seen.last)

    def _merge(self, seen: Seen, act: Stated) -> None:
        content = act.content
        for code, given in (content.get("facts") or {}).items():
            try:
                answer = read_answer(code, given, today=self.today)
            except AnswerError:
                continue  # Refused on arrival; a table that changed since cannot break the walk.
            held = seen.readings.get(code)
            if held is not None and held.by != act.by and held.answer.is_read:
                if not answer.is_read:
                    continue  # That one person could not read it takes nothing from what another read.
                if not same(held.answer.value, answer.value):
                    contested = [*held.contested, f"{held.by} read {held.answer.words}"]
                    seen.readings[code] = Reading(answer, act.by, act.act_id, contested)
                    continue
            kept = held.contested if held is not None and held.by != act.by else []
            seen.readings[code] = Reading(answer, act.by, act.act_id, kept)
        # In the order of the plate, whichever way a database keeps the words of an act.
        seen.readings = {code: seen.readings[code] for code in FACTS if code in seen.readings}
        seen.place_ref = act.place_ref or seen.place_ref
        seen.label = str(content.get("label") or "").strip() or seen.label
        known = {one["id"] for one in seen.defects}
        seen.defects += [one for one in content.get("defects") or () if one["id"] not in known]
        if remarks := str(content.get("remarks") or "").strip():
            seen.remarks.append(remarks)
        seen.photos += [str(ref) for ref in content.get("photos") or ()]

    def _known(self, seen: Seen) -> dict[str, object]:
        values = dict(seen.listed.values) if seen.listed is not None else {}
        for code, one in seen.readings.items():
            if one.answer.is_read:
                values[code] = one.answer.value
        return values

    # --- against the register ---------------------------------------------------------------------

    def _extra(self, seen: Seen, act: Stated) -> None:
        place = self.walk.place_of(seen.place_ref)
        found = ", ".join(
            part
            for part in (
                seen.kind_text,
                *(
                    f"{FACTS[code].label.lower()} {seen.readings[code].answer.words}"
                    for code in ("serial", "made")
                    if code in seen.readings
                ),
                f"at {place.words}" if place else "",
            )
            if part
        )
        self._add(
            f"U:{seen.ref}:extra",
            "extra",
            "Extra unit",
            seen.number,
            "not on the register",
            found,
            act,
            unit_ref=seen.ref,
            note="Take: it goes on the register. Keep: it does not.",
            photos=tuple(seen.photos),
        )
        for code, reading in seen.readings.items():
            if reading.contested:
                self._contested(seen, code, reading, "not on the register")

    def _compare(self, seen: Seen, listed: Listed, act: Stated) -> None:
        before = len(self.walk.differences)
        for code, reading in seen.readings.items():
            self._fact(seen, listed, code, reading)
        at = self.walk.place_of(seen.place_ref)
        was = self.walk.places.get(listed.place_ref) if listed.place_ref is not None else None
        if at is not None and (was is None or at.ref != was.ref):
            self._add(
                f"U:{seen.ref}:place",
                "moved",
                "Hangs elsewhere",
                seen.number,
                was.words if was is not None else "no place",
                at.words,
                act,
                unit_ref=seen.ref,
                place_ref=at.ref,
            )
        if seen.label and plain(seen.label) != plain(listed.number):
            self._add(
                f"U:{seen.ref}:label",
                "label",
                "Another label is on it",
                seen.number,
                listed.number,
                seen.label,
                act,
                unit_ref=seen.ref,
                note="Take: its number becomes that of the label.",
            )
        seen.status = Status.DIFFERS if len(self.walk.differences) > before else Status.FOUND

    def _fact(self, seen: Seen, listed: Listed, code: str, reading: Reading) -> None:
        answer, fact = reading.answer, FACTS[code]
        if not answer.is_read or code == "condition":
            return
        if fact.task is not None:
            self._dated(seen, listed, code, reading)
            return
        registered = listed.values.get(code)
        if reading.contested:
            self._contested(seen, code, reading, listed.words.get(code, "not known"))
        elif registered is None:
            if code in listed.values or code in _KEPT_ON_REGISTER:
                seen.fills.append(code)
        elif not same(registered, answer.value):
            self._differs(seen, code, reading, listed.words.get(code, ""))
        elif (
            isinstance(registered, Stamp)
            and isinstance(answer.value, Stamp)
            and sharper(answer.value, registered)
        ):
            seen.fills.append(code)

    def _dated(self, seen: Seen, listed: Listed, code: str, reading: Reading) -> None:
        """A date on the unit against the last such work on the register: newer is added, older is asked."""
        task, value = FACTS[code].task, reading.answer.value
        if task is None or not isinstance(value, Stamp) or not value.is_known:
            return
        known = listed.dated.get(task.value)
        if reading.contested:
            self._contested(seen, code, reading, str(known[0]) if known else "no record")
        elif known is None or (value.first or date.min) > (known[0].last or date.min):
            seen.fills.append(code)
        elif not same(known[0], value) and not known[1] and code == "tests":
            self._differs(seen, code, reading, f"{known[0]}, by the owner's or another's word")

    def _differs(self, seen: Seen, code: str, reading: Reading, register: str, note: str = "") -> None:
        self._add(
            f"U:{seen.ref}:{code}",
            code,
            f"{FACTS[code].label} differs",
            seen.number,
            register or "not known",
            reading.answer.words,
            self._act(seen, reading.act_id),
            unit_ref=seen.ref,
            note=note,
            photos=tuple(seen.photos),
        )

    def _contested(self, seen: Seen, code: str, reading: Reading, register: str) -> None:
        self._differs(
            seen,
            code,
            reading,
            register,
            note=f"Read differently by two people: {'; '.join(reading.contested)}. "
            f"Take: as {reading.by} read it last.",
        )

    def _not_there(self, seen: Seen, listed: Listed, act: Stated) -> None:
        if act.content.get("state") == "no_access":
            seen.status = Status.NOT_REACHED
            seen.why_missing = ", ".join(
                str(act.content[name]) for name in ("reason", "said_by", "remarks") if act.content.get(name)
            )
            return
        seen.status = Status.MISSING
        seen.why_missing = str(act.content.get("remarks") or "")
        was = self.walk.places.get(listed.place_ref) if listed.place_ref is not None else None
        self._add(
            f"U:{seen.ref}:missing",
            "missing",
            "Not found",
            listed.number,
            f"{listed.kind_text}, at {was.words}" if was else listed.kind_text,
            "not there" + (f": {seen.why_missing}" if seen.why_missing else ""),
            act,
            unit_ref=seen.ref,
            note="Take: it becomes “not found” and stays due. Keep: it counts as hanging there.",
        )

    def _twin(self, ref: UUID, other: UUID) -> None:
        """Two readings with one serial may be one unit."""
        if self._choice_of(f"U:{ref}:twin") == TAKE and all(unit.ref != ref for unit in self.walk.units):
            mine = next(
                act
                for unit in self.walk.units
                for act in unit.acts
                if act.unit_ref == ref and act.kind == "survey_unit"
            )
        else:
            mine = next(unit for unit in self.walk.units if unit.ref == ref).acts[-1]
        listed = self.listed.get(other)
        target = listed.number if listed is not None else "another extra unit of this survey"
        serial = str(((mine.content.get("facts") or {}).get("serial") or {}).get("value") or "")
        self._add(
            f"U:{ref}:twin",
            "twin",
            "Perhaps the same unit",
            f"serial {serial}",
            target,
            f"read as extra, serial {serial}",
            mine,
            unit_ref=ref,
            note="Take: it is one unit. Keep: two units with the same serial.",
        )

    # --- differences ------------------------------------------------------------------------------

    def _act(self, seen: Seen, act_id: UUID) -> Stated:
        return next(act for act in seen.acts if act.act_id == act_id)

    def _choice_of(self, key: str) -> str:
        """The decision that stands on ``key``; its digest is looked at when the difference is added."""
        one = self.decided.get(key)
        return one.choice if one is not None else ""

    def _add(
        self,
        key: str,
        what: str,
        title: str,
        subject: str,
        register: str,
        found: str,
        act: Stated,
        **more: Any,
    ) -> None:
        one = Difference(key, what, title, subject, register, found, act.act_id, by=act.by, **more)
        decision = self.decided.get(key)
        if decision is not None:
            holds = decision.seen_digest == one.digest(decision.choice)
            changes: dict[str, Any] = (
                {"choice": decision.choice, "reason": decision.reason, "decided_by": decision.by}
                if holds
                else {"was": decision.choice}
            )
            one = Difference(
                key, what, title, subject, register, found, act.act_id, by=act.by, **more, **changes
            )
        self.walk.differences.append(one)

    # --- order ------------------------------------------------------------------------------------

    def _position(self, ref: UUID | None) -> tuple[int, int, str]:
        place = self.walk.place_of(ref)
        if place is None:
            return (2, 0, "")
        if place.order:
            return (0, place.order, place.number)
        walked = self.walk.walked
        return (1, walked.index(ref) if ref in walked else len(walked), place.number)

    def _unit_position(self, seen: Seen) -> tuple[Any, ...]:
        ref = seen.place_ref or (seen.listed.place_ref if seen.listed is not None else None)
        return (*self._position(ref), seen.number)


_KEPT_ON_REGISTER = frozenset(
    {
        "agent", "construction", "charge", "shell", "maker", "refillable", "wheeled", "working_pressure",
        "test_pressure", "full_mass", "serial", "made",
    }
)  # fmt: skip
"""Facts for which the register has a field; the others stand in the takeover report alone."""
