"""The closed vocabularies that units, records and interval tables share.

A code is stored; its label is shown. The words are the trade's own, as used in 29 CFR 1910.157,
49 CFR 180.209, EN 3 and IS 2190. ``UNKNOWN`` is a value of its own: it never matches a rule that
names a kind, so an unknown kind becomes a finding and never a pass.
"""

from __future__ import annotations

from enum import StrEnum


class Agent(StrEnum):
    """What the shell is filled with."""

    WATER = "water"
    WATER_ANTIFREEZE = "water_antifreeze"
    WETTING_AGENT = "wetting_agent"
    WATER_MIST = "water_mist"
    LOADED_STREAM = "loaded_stream"
    SODA_ACID = "soda_acid"
    CHEMICAL_FOAM = "chemical_foam"
    FOAM = "foam"
    AFFF = "afff"
    FFFP = "fffp"
    WET_CHEMICAL = "wet_chemical"
    DRY_CHEMICAL_ABC = "dry_chemical_abc"
    DRY_CHEMICAL_BC = "dry_chemical_bc"
    DRY_POWDER_D = "dry_powder_d"
    CARBON_DIOXIDE = "carbon_dioxide"
    HALON_1211 = "halon_1211"
    HALON_1301 = "halon_1301"
    CLEAN_AGENT = "clean_agent"
    UNKNOWN = "unknown"


AGENT_LABELS: dict[Agent, str] = {
    Agent.WATER: "Water",
    Agent.WATER_ANTIFREEZE: "Water with antifreeze",
    Agent.WETTING_AGENT: "Wetting agent",
    Agent.WATER_MIST: "Water mist",
    Agent.LOADED_STREAM: "Loaded stream",
    Agent.SODA_ACID: "Soda acid",
    Agent.CHEMICAL_FOAM: "Chemical foam",
    Agent.FOAM: "Mechanical foam",
    Agent.AFFF: "AFFF",
    Agent.FFFP: "FFFP",
    Agent.WET_CHEMICAL: "Wet chemical",
    Agent.DRY_CHEMICAL_ABC: "Dry chemical ABC",
    Agent.DRY_CHEMICAL_BC: "Dry chemical BC",
    Agent.DRY_POWDER_D: "Dry powder (metal fires)",
    Agent.CARBON_DIOXIDE: "Carbon dioxide",
    Agent.HALON_1211: "Halon 1211",
    Agent.HALON_1301: "Halon 1301",
    Agent.CLEAN_AGENT: "Clean agent",
    Agent.UNKNOWN: "Unknown agent",
}


class Construction(StrEnum):
    """How the agent is driven out."""

    STORED_PRESSURE = "stored_pressure"
    CARTRIDGE = "cartridge"
    CYLINDER_OPERATED = "cylinder_operated"
    SELF_EXPELLING = "self_expelling"
    INVERTING = "inverting"
    PUMP_TANK = "pump_tank"
    UNKNOWN = "unknown"


CONSTRUCTION_LABELS: dict[Construction, str] = {
    Construction.STORED_PRESSURE: "Stored pressure",
    Construction.CARTRIDGE: "Cartridge operated",
    Construction.CYLINDER_OPERATED: "Cylinder operated",
    Construction.SELF_EXPELLING: "Self-expelling",
    Construction.INVERTING: "Inverting",
    Construction.PUMP_TANK: "Pump tank",
    Construction.UNKNOWN: "Unknown construction",
}


class Shell(StrEnum):
    """What the shell is made of."""

    MILD_STEEL = "mild_steel"
    STAINLESS_STEEL = "stainless_steel"
    ALUMINIUM = "aluminium"
    BRAZED_BRASS = "brazed_brass"
    SOLDERED_BRASS = "soldered_brass"
    ALLOY_STEEL_SEAMLESS = "alloy_steel_seamless"
    COMPOSITE = "composite"
    UNKNOWN = "unknown"


SHELL_LABELS: dict[Shell, str] = {
    Shell.MILD_STEEL: "Mild steel",
    Shell.STAINLESS_STEEL: "Stainless steel",
    Shell.ALUMINIUM: "Aluminium",
    Shell.BRAZED_BRASS: "Brazed brass",
    Shell.SOLDERED_BRASS: "Soldered brass",
    Shell.ALLOY_STEEL_SEAMLESS: "Seamless steel cylinder",
    Shell.COMPOSITE: "Composite",
    Shell.UNKNOWN: "Unknown shell",
}


class Environment(StrEnum):
    """Where a unit hangs, as far as an interval table may ask."""

    NORMAL = "normal"
    OUTDOOR = "outdoor"
    CORROSIVE = "corrosive"
    VEHICLE = "vehicle"
    MARINE = "marine"
    UNKNOWN = "unknown"


ENVIRONMENT_LABELS: dict[Environment, str] = {
    Environment.NORMAL: "Indoors, normal",
    Environment.OUTDOOR: "Outdoors",
    Environment.CORROSIVE: "Corrosive air",
    Environment.VEHICLE: "On a vehicle",
    Environment.MARINE: "On board a ship",
    Environment.UNKNOWN: "Unknown surroundings",
}


class Task(StrEnum):
    """Kinds of work that a table can make fall due or a record can state as done."""

    VISUAL_INSPECTION = "visual_inspection"
    MAINTENANCE = "maintenance"
    WEIGHING = "weighing"
    CONDUCTIVITY_TEST = "conductivity_test"
    INTERNAL_EXAMINATION = "internal_examination"
    EXTENDED_SERVICE = "extended_service"
    WORKSHOP_SERVICE = "workshop_service"
    DISCHARGE_TEST = "discharge_test"
    RECHARGE = "recharge"
    HYDROSTATIC_TEST = "hydrostatic_test"
    HOSE_TEST = "hose_test"
    REQUALIFICATION = "requalification"
    RETIREMENT = "retirement"


TASK_LABELS: dict[Task, str] = {
    Task.VISUAL_INSPECTION: "Visual inspection",
    Task.MAINTENANCE: "Maintenance",
    Task.WEIGHING: "Weighing",
    Task.CONDUCTIVITY_TEST: "Hose conductivity test",
    Task.INTERNAL_EXAMINATION: "Internal examination",
    Task.EXTENDED_SERVICE: "Extended service",
    Task.WORKSHOP_SERVICE: "Workshop service",
    Task.DISCHARGE_TEST: "Discharge test",
    Task.RECHARGE: "Recharge",
    Task.HYDROSTATIC_TEST: "Hydrostatic test",
    Task.HOSE_TEST: "Hose pressure test",
    Task.REQUALIFICATION: "Requalification",
    Task.RETIREMENT: "Retirement",
}


class TestMethod(StrEnum):
    """How a pressure test was made; some tables set the next interval by it."""

    __test__ = False  # not a pytest class

    PROOF_PRESSURE = "proof_pressure"
    WATER_JACKET = "water_jacket"
    DIRECT_EXPANSION = "direct_expansion"
    ULTRASONIC = "ultrasonic"
    UNKNOWN = ""


class EventKind(StrEnum):
    """Things that happen to a unit outside planned work and that a table may answer to."""

    CORROSION_FOUND = "corrosion_found"
    DAMAGE_FOUND = "damage_found"
    PITTING_FOUND = "pitting_found"
    THREADS_DAMAGED = "threads_damaged"
    REPAIRED_BY_HEAT = "repaired_by_heat"
    BURNED_IN_FIRE = "burned_in_fire"
    CALCIUM_CHLORIDE_USED = "calcium_chloride_used"
    DISCHARGED = "discharged"
    CHARGE_LOST = "charge_lost"
    SEAL_BROKEN = "seal_broken"
    MOVED_TO_VEHICLE = "moved_to_vehicle"
    MOVED_ABOARD = "moved_aboard"
    MOVED_OUTDOORS = "moved_outdoors"
    MOVED_INDOORS = "moved_indoors"


EVENT_LABELS: dict[EventKind, str] = {
    EventKind.CORROSION_FOUND: "Corrosion found",
    EventKind.DAMAGE_FOUND: "Mechanical damage found",
    EventKind.PITTING_FOUND: "Pitting found",
    EventKind.THREADS_DAMAGED: "Threads damaged",
    EventKind.REPAIRED_BY_HEAT: "Repaired by soldering, welding, brazing or patching",
    EventKind.BURNED_IN_FIRE: "Burned in a fire",
    EventKind.CALCIUM_CHLORIDE_USED: "Calcium chloride used in a stainless shell",
    EventKind.DISCHARGED: "Discharged",
    EventKind.CHARGE_LOST: "Charge or pressure lost",
    EventKind.SEAL_BROKEN: "Seal broken",
    EventKind.MOVED_TO_VEHICLE: "Moved to a vehicle",
    EventKind.MOVED_ABOARD: "Moved aboard a ship",
    EventKind.MOVED_OUTDOORS: "Moved outdoors",
    EventKind.MOVED_INDOORS: "Moved indoors",
}
