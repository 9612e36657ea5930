"""The due engine: what falls due on a unit, when, and why.

Purpose. Given a unit's facts, what was done to it and the interval tables that apply, say for each
table and task the earliest, target and latest day, how well that is known, and the reason in
words. Today's date is an argument; nothing here reads a clock, a database or a setting.

Guarantee. A date is never later than the truth allows: an imprecise stamp counts from its first
day unless the table itself reads a month mark to the end of the due month, an unknown date is due
now, an unknown kind is a finding. Dates are anchor plus n intervals, so nothing drifts. The order
of the history does not matter. A wrong record does not raise; it comes back as a finding. Tables
keep their own verdicts; ``binding`` names the one that comes first. All shipped tables are
defaults to confirm against local code.

Worked example (29 CFR 1910.157(e)(4): the recharge restarts the six-year clock and leaves the
pressure test alone):

>>> from datetime import date
>>> from inventory.measures.stamps import Stamp
>>> from schedules.rules import load_tables
>>> unit = UnitFacts("dry_chemical_abc", "stored_pressure", "mild_steel", made=Stamp.of(2018, 3))
>>> recharge = Done("recharge", Stamp.of(2021, 6, 15))
>>> found = obligations(unit, [recharge], load_tables()["us-osha-1910-157"], date(2026, 1, 1))
>>> for item in found:
...     print(item.task, item.latest or item.knowledge)
visual_inspection 2018-04-30
maintenance 2019-03-31
internal_examination 2027-06-15
recharge on_event
hydrostatic_test 2030-03-31

How it is laid out: ``facts`` is what comes in, ``past`` sorts the history into what counts and
what is doubtful, ``select`` chooses the rules for a kind of unit, ``due`` makes dates of them,
``quota`` deals with demands on groups, ``result`` is what goes out.
"""

from __future__ import annotations

from schedules.engine.due import doubt_until, editions, findings, obligations
from schedules.engine.facts import Done, Event, UnitFacts
from schedules.engine.quota import Member, QuotaGroup, number_required, quota_groups
from schedules.engine.result import KNOWLEDGE_LABELS, Basis, Finding, Knowledge, Obligation, binding
from schedules.rules.vary import Variation

__all__ = [
    "KNOWLEDGE_LABELS",
    "Basis",
    "Done",
    "Event",
    "Finding",
    "Knowledge",
    "Member",
    "Obligation",
    "QuotaGroup",
    "UnitFacts",
    "Variation",
    "binding",
    "doubt_until",
    "editions",
    "findings",
    "number_required",
    "obligations",
    "quota_groups",
]
