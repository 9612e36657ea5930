"""Route plans against published optima, through the product's own model.

Sources: M. M. Solomon 1987 (doi:10.1287/opre.35.2.254) and H. Gehring, J. Homberger 1999, optimal values of
the 12th DIMACS challenge's controller (convention: one decimal, cut off); J.-F. Cordeau, G. Laporte 2001 with
the published routes of github PyVRP/Instances. Origin and licence: ``fixtures/instances/README.md``.
"""

import json
import re
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command

from schedules.planning.checker import check
from schedules.planning.engine import solve
from schedules.planning.instances import UnreadableCase, read_case
from schedules.planning.model import Plan

HERE = Path(__file__).parents[2] / "fixtures" / "instances"
TABLE = HERE / "best_known.csv"


@pytest.mark.parametrize(
    ("name", "optimum", "steps", "within_percent"),
    [("C101", 827.3, 40, 0.0), ("R101", 1637.7, 1500, 0.3), ("C1_2_1", 2698.6, 900, 0.3)],
)
def test_the_published_optimum_is_reached_or_nearly(name, optimum, steps, within_percent):
    case = read_case(HERE / f"{name}.txt")
    outcome = solve(case.problem, iterations=steps, seed=1)
    verdict = check(case.problem, outcome.plan)
    assert verdict.feasible
    assert verdict.mandatory_out == ()
    # Never below: the optimum is proved.
    assert optimum - 1e-6 <= verdict.cost_60 / case.scale <= optimum * (1 + within_percent / 100) + 1e-6


def test_published_routes_with_allowed_vehicles_and_longest_duty_are_accepted_at_their_cost():
    case = read_case(HERE / "SDVRPTW-PR01.vrp")
    text = (HERE / "SDVRPTW-PR01.sol").read_text()
    # The file of routes counts vehicles from 1 and names clients by their number in the problem, from 1.
    routes = {f"v{n}": tuple(stops.split()) for n, stops in re.findall(r"Route #(\d+):([\d ]*)", text)}
    named = {key: tuple(str(int(stop) + 1) for stop in stops) for key, stops in routes.items()}
    cost = int(re.search(r"Cost:? (\d+)", text)[1])  # type: ignore[index]
    verdict = check(case.problem, Plan(named))
    assert verdict.breaches == ()
    assert verdict.cost_60 == cost == 1_655_420


def test_the_command_prints_what_the_checker_says(capsys):
    call_command(
        "plan_instance", str(HERE / "SDVRPTW-PR01.vrp"), "--iterations", "800", "--best-known", str(TABLE),
        "--routes",
    )  # fmt: skip
    said = json.loads(capsys.readouterr().out)
    assert said["feasible"] is True
    assert said["best_known"] == pytest.approx(1655.42)
    assert 0 <= said["gap_percent"] < 3
    assert said["served"] == 48
    assert sum(map(len, said["routes"].values())) == 48
    assert said["vehicles"] <= 8


def test_the_command_says_what_is_wrong(tmp_path):
    for text, told in (("hello", "no known form"), ("C1\n\nVEHICLE\nNUMBER CAPACITY\n", "vehicles and cap")):
        path = tmp_path / "file.txt"
        path.write_text(text)
        with pytest.raises(CommandError, match=told):
            call_command("plan_instance", str(path))
    with pytest.raises(CommandError, match="cannot be read"):
        call_command("plan_instance", str(tmp_path / "none.txt"))
    with pytest.raises(CommandError, match="no such file"):
        call_command("plan_instance", str(HERE / "C101.txt"), "--best-known", str(tmp_path / "none.csv"))


def test_forms_vary_in_blanks_case_and_order(tmp_path):
    plain = (HERE / "C101.txt").read_text()
    varied = tmp_path / "odd.txt"
    varied.write_text("\r\n".join(f"  {line}  " for line in plain.lower().splitlines() if line.strip()))
    assert read_case(varied).problem.stops == read_case(HERE / "C101.txt").problem.stops
    sections = (HERE / "SDVRPTW-PR01.vrp").read_text()
    spaced = tmp_path / "odd.vrp"
    spaced.write_text(
        sections.replace(":", " : ").replace("\t", "   ").replace("DEMAND_SECTION", "\nDemand_Section")
    )
    assert read_case(spaced).problem.stops == read_case(HERE / "SDVRPTW-PR01.vrp").problem.stops
    broken = tmp_path / "broken.vrp"
    broken.write_text(sections.replace("EUC_2D", "EXPLICIT"))
    with pytest.raises(UnreadableCase, match="EXPLICIT"):
        read_case(broken)


PILLAC = """C1.small

INFO
CREW COUNT  SKILLS  TOOLS   SPARE PARTS
2      2       1       1

DEPOT TECHNICIANS AND REQUESTS
ID   X     Y     TWS    TWE    Serv   SKILLS   TOOLS    SPARE PARTS
0    0    0    0      1000   0      []  []  []
1    0    0    0      1000   0      [0]     [0]     [1]
2    9    0    0      1000   0      [1]     []      [0]
3    3    4    0      900    10     [0]     [0]     [1]
4    9    1    100    900    10     [1]     []      [0]
"""

KOVACS = """Capacity: 200
Customer: 3
CUST NO.  XCOORD.  YCOORD.  DEMAND  READY TIME  DUE DATE  SERVICE TIME cost d11 d12 d21 d22
1 0 0 0 0 1000 0 0 0 0 0 0
2 3 4 10 0 900 90 100 1 0 0 0
3 0 5 10 0 900 90 100 0 0 1 1
"""

CREW = """Technicians
Number of Technicians: 1
domains: 2
proficiency level: 2

ID domain1 domain2
1 2 1
"""


def test_technicians_with_homes_skills_tools_and_parts(tmp_path):
    path = tmp_path / "C1.small.txt"
    path.write_text(PILLAC)
    case = read_case(path)
    outcome = solve(case.problem, iterations=20)
    assert outcome.plan.routes == {"t1": ("3",), "t2": ("4",)}
    # 5 there, 10 of work, 5 back; 1 there, 10 of work, 1 back. Leaving is free, waiting is avoided.
    assert outcome.cost_60 / case.scale == pytest.approx(20 + 12)
    assert case.missing


def test_levels_of_skill_and_outsourcing(tmp_path):
    path = tmp_path / "small.txt"
    path.write_text(KOVACS)
    with pytest.raises(UnreadableCase, match="technicians_small"):
        read_case(path)
    (tmp_path / "technicians_small.txt").write_text(CREW)
    case = read_case(path)
    outcome = solve(case.problem, iterations=20)
    # Level 2 in the second domain is more than anyone has: outsourced at 100; the other costs 10 to drive.
    assert outcome.plan.routes == {"t1": ("2",)}
    assert outcome.plan.left_out["3"].code == "skill missing"
    assert outcome.cost_60 / case.scale == pytest.approx(110)
