"""One unit of a register as plain values, and what one file gave."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from decimal import ROUND_HALF_UP, Decimal

from inventory.measures.kinds import Agent, Construction, Environment, Shell, Task, TestMethod
from inventory.measures.stamps import Stamp
from inventory.measures.units import Dimension, Measure
from servicedesk.exchange.findings import Finding, Severity
from servicedesk.exchange.headings import Proposal
from servicedesk.exchange.hours import AccessWindow


@dataclass(frozen=True, slots=True)
class RegisterRow:
    """One unit of the register as its row tells it. Unknown values are values of their own.

    ``state`` is a state of a unit, empty when the file does not tell; ``extras`` are the cells that
    no field takes, with their headings; ``copy`` counts the units of a row that stands for several.
    """

    row: int
    import_key: str

    owner_name: str
    owner_email: str
    site_code: str
    site_name: str
    address_line: str
    city: str
    region: str
    postcode: str
    country: str
    latitude: Decimal | None
    longitude: Decimal | None
    time_zone: str
    access_windows: tuple[AccessWindow, ...]
    tables: tuple[str, ...]

    building: str
    floor: str
    location_number: str
    location_description: str
    environment: Environment
    hazard: str

    unit_number: str
    serial: str
    maker: str
    model: str
    agent: Agent
    construction: Construction
    shell: Shell
    cylinder_spec: str
    charge: Measure | None
    charge_text: str
    water_capacity: Measure | None
    working_pressure: Measure | None
    test_pressure: Measure | None
    full_mass: Measure | None
    is_wheeled: bool
    is_refillable: bool | None
    has_shutoff_hose: bool | None

    made: Stamp
    installed: Stamp
    last_maintenance: Stamp
    last_recharge: Stamp
    last_internal_examination: Stamp
    last_hydrostatic_test: Stamp
    hydrostatic_test_method: TestMethod
    last_visual_inspection: Stamp
    last_weighing: Stamp
    last_conductivity_test: Stamp

    state: str = ""
    remarks: str = ""
    extras: tuple[tuple[str, str], ...] = ()
    copy: int = 1

    @property
    def charge_mass_g(self) -> int | None:
        """Return the charge in whole grams, ``None`` when it is a volume or unknown."""
        return whole(self.charge, Dimension.MASS)

    @property
    def charge_volume_ml(self) -> int | None:
        """Return the charge in whole millilitres, ``None`` when it is a mass or unknown."""
        return whole(self.charge, Dimension.VOLUME)

    @property
    def water_capacity_ml(self) -> int | None:
        """Return the water capacity of the shell in whole millilitres; a mass counts as water at 1 g/mL."""
        if self.water_capacity is not None and self.water_capacity.dimension is Dimension.MASS:
            return whole(self.water_capacity, Dimension.MASS)
        return whole(self.water_capacity, Dimension.VOLUME)

    @property
    def working_pressure_kpa(self) -> int | None:
        """Return the working gauge pressure in whole kPa."""
        return whole(self.working_pressure, Dimension.PRESSURE)

    @property
    def test_pressure_kpa(self) -> int | None:
        """Return the test pressure in whole kPa."""
        return whole(self.test_pressure, Dimension.PRESSURE)

    @property
    def full_mass_g(self) -> int | None:
        """Return the gross mass when full in whole grams."""
        return whole(self.full_mass, Dimension.MASS)

    @property
    def history(self) -> tuple[tuple[Task, Stamp], ...]:
        """Return what the row says was done, oldest first. A date it tells but nobody can read is
        among them as unknown; an empty cell is not."""
        told = (
            (Task.MAINTENANCE, self.last_maintenance),
            (Task.RECHARGE, self.last_recharge),
            (Task.INTERNAL_EXAMINATION, self.last_internal_examination),
            (Task.HYDROSTATIC_TEST, self.last_hydrostatic_test),
            (Task.VISUAL_INSPECTION, self.last_visual_inspection),
            (Task.WEIGHING, self.last_weighing),
            (Task.CONDUCTIVITY_TEST, self.last_conductivity_test),
        )
        kept = [(task, stamp) for task, stamp in told if stamp.is_known or stamp.raw]
        return tuple(sorted(kept, key=lambda item: item[1].first or date.min))


@dataclass(frozen=True, slots=True)
class RegisterReading:
    """What one file gave: good rows, every finding, and how the file was taken.

    ``refused_keys`` are the import keys of units whose rows are there but were not taken.
    """

    rows: tuple[RegisterRow, ...]
    findings: tuple[Finding, ...]
    refused_rows: tuple[int, ...]
    encoding: str
    delimiter: str
    columns: Mapping[str, str]
    skipped_rows: tuple[int, ...] = ()
    refused_keys: frozenset[str] = frozenset()
    kind: str = "text"
    sheet: str = ""
    heading_row: int = 1
    proposal: Proposal | None = None
    day_first: bool | None = None
    decimal_comma: bool | None = None

    @property
    def row_count(self) -> int:
        """Return the number of rows that were not blank, without the heading."""
        return len({row.row for row in self.rows}) + len(self.refused_rows) + len(self.skipped_rows)

    @property
    def refusals(self) -> tuple[Finding, ...]:
        """Return the findings that keep a row out."""
        return tuple(finding for finding in self.findings if finding.severity is Severity.REFUSED)

    @property
    def doubts(self) -> tuple[Finding, ...]:
        """Return the findings that only mark a value."""
        return tuple(finding for finding in self.findings if finding.severity is Severity.DOUBT)

    def findings_of(self, row: int) -> tuple[Finding, ...]:
        """Return the findings of one row."""
        return tuple(finding for finding in self.findings if finding.row == row)

    def to_import(self, *, accept_rest: bool = False) -> tuple[RegisterRow, ...]:
        """Return the rows to write: all of them or, while any is refused, none.

        ``accept_rest`` is a person's word that the refused rows may stay out; then the good rows
        are returned whole.
        """
        return self.rows if accept_rest or not self.refused_rows else ()


def whole(measure: Measure | None, dimension: Dimension) -> int | None:
    if measure is None or measure.dimension is not dimension:
        return None
    return int(measure.canonical.quantize(Decimal(1), ROUND_HALF_UP))
