"""Units and places that were found on site and that no register knew."""

from __future__ import annotations

import hashlib
import re
import uuid
from collections.abc import Mapping
from datetime import date
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction

from inventory.errors import Conflict
from inventory.measures.kinds import Agent, Construction, Shell
from inventory.measures.stamps import Stamp
from inventory.people import Person
from inventory.register.aliases import place_numbered
from inventory.register.models import Location, NumberSeries, Site, Unit, UnitModel
from inventory.register.services import hang_unit, set_state, take_down_unit, unit_numbers

_SERIES = re.compile(r"U-(\d{6,})")
PROVISIONAL = "Added on site; its facts have yet to be completed."


@transaction.atomic
def add_location(
    site: Site,
    public_id: uuid.UUID,
    number: str,
    *,
    building: str = "",
    floor: str = "",
    description: str = "",
) -> Location:
    """Return the place with this id at ``site``, made if it is new.

    A place that has this number already, or had it before, is the same place: returned as it is. Raises
    ``ValidationError`` without a number and ``Conflict`` for an id that another site uses.
    """
    number = number.strip()
    if not number:
        raise ValidationError(
            {"new_location": "Give the place the number that is written there, or a new one."}
        )
    known = Location.objects.filter(public_id=public_id).first()
    if known is not None:
        if known.site_id != site.pk:
            raise Conflict("reference_reused", "This id belongs to another place. Make a new one.")
        return known
    same = place_numbered(site, number)
    if same is not None:
        return same
    last = Location.objects.filter(site=site).order_by("-walking_order").first()
    place = Location(
        public_id=public_id,
        site=site,
        number=number,
        building=building.strip(),
        floor=floor.strip(),
        description=description.strip(),
        walking_order=(last.walking_order if last is not None else 0) + 10,
    )
    place.full_clean()
    place.save()
    return place


def model_of_kind(kind: Mapping[str, Any]) -> UnitModel:
    """Return the model of a unit of which only the kind is known, made if it is new.

    ``kind`` holds agent and construction, and perhaps charge_text, shell, maker, is_wheeled. Raises
    ``ValidationError`` for a kind that is not of the trade.
    """
    try:
        agent, construction = Agent(kind["agent"]), Construction(kind["construction"])
        shell = Shell(kind.get("shell") or Shell.UNKNOWN)
    except (KeyError, ValueError) as error:
        raise ValidationError(
            {"kind": "Choose agent and construction from the lists; unknown is a choice too."}
        ) from error
    values: dict[str, Any] = {
        "agent": agent.value,
        "construction": construction.value,
        "shell": shell.value,
        "charge_text": str(kind.get("charge_text", ""))[:30].strip(),
        "maker": str(kind.get("maker", ""))[:100].strip(),
        "is_wheeled": bool(kind.get("is_wheeled", False)),
    }
    key = hashlib.sha256(repr(("found on site", sorted(values.items()))).encode()).hexdigest()
    model, _ = UnitModel.objects.get_or_create(build_key=key, defaults=values)
    return model


@transaction.atomic
def add_found_unit(
    public_id: uuid.UUID,
    location: Location,
    *,
    model: UnitModel,
    serial: str = "",
    made: Stamp | None = None,
    number: str = "",
    on: date,
    by: Person,
    ref: uuid.UUID | None = None,
) -> Unit:
    """Add a unit found hanging at ``location``, marked as provisional, and return it.

    ``number`` is that of a label of ours that it carries already; without one it gets the next. Raises
    ``ValidationError`` when another unit has that number, ``Conflict`` when the id is taken.
    """
    if Unit.objects.filter(public_id=public_id).exists():
        raise Conflict("reference_reused", "This id belongs to another unit. Make a new one.")
    number = number.strip()
    if number and Unit.objects.filter(number=number).exists():
        raise ValidationError(
            {"number": f"Unit {number} is in the register already. Scan it again, or leave the number out."}
        )
    if (ours := _SERIES.fullmatch(number)) and int(ours[1]) > _last_drawn():
        # It would be given to another unit one day.
        raise ValidationError({"number": f"{number} was never printed. Read the label again."})
    unit = Unit(
        public_id=public_id,
        number=number or unit_numbers(1)[0],
        model=model,
        site=location.site,
        serial=serial.strip()[:60],
        doubts=[PROVISIONAL],
    )
    unit.made = made if made is not None else Stamp.unknown()
    unit.full_clean()
    unit.save()
    hang_unit(unit, location, on=on, by=by, reason="Found on site", ref=ref)
    return unit


def _last_drawn() -> int:
    return NumberSeries.objects.filter(name="unit").values_list("last", flat=True).first() or 0


@transaction.atomic
def drop_found_unit(unit: Unit, *, on: date, by: Person) -> None:
    """Take back a unit that was added in error; it stays in the register as withdrawn."""
    if unit.location_id is not None:
        take_down_unit(unit, on=on, to_state=Unit.State.WITHDRAWN, by=by, reason="Added in error")
    else:
        set_state(unit, Unit.State.WITHDRAWN)
