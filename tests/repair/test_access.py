"""Access by hand and by rods through openings. Truth: EXACT, the law of the lever and geometry."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

from simkit.case import load_case
from simkit.errors import InputError, InputErrors
from simkit.repair.access import need_way, way_to
from simkit.repair.operations import Operation
from simkit.repair.session import Session, open_session
from simkit.repair.workpiece import make_workpiece
from simkit.strategy.choice import lifting_kinds

CASE = """\
format: 1
title: Door skin with a lamp hole
about: Invented for the tests.
panel:
  surface: flat
  length_x_mm: 300
  length_y_mm: 160
  thickness_mm: 0.8
  grade: DC04
  supports:
    - {shape: line, name: beam, x_mm: 100, y_mm: 0, length_mm: 160, width_mm: 10, angle_deg: 90,
       stiffness_N_per_mm3: 0.1, gap_mm: 4}
  behind:
    reach: [{x_mm: -140, y_mm: 0, length_mm: 20, width_mm: 160}]
    openings:
      - {name: lamp hole, x_mm: -100, y_mm: 0, length_mm: 60, width_mm: 30, depth_mm: 40,
         refit_min: 12}
    obstacles:
      - {name: motor, x_mm: 0, y_mm: 60, length_mm: 30, width_mm: 30, from_mm: 10, to_mm: 90}
mesh: {fine_mm: 10, coarse_mm: 20, layers: 3}
kit:
  tabs: [round-25]
  tips: [ball-12]
  rods:
    - {name: short rod, length_mm: 300, thickness_mm: 10}
    - {name: long rod, length_mm: 600, thickness_mm: 8, hook_mm: 25}
limits: {hand_force_N: 200}
"""


def case_with(folder: Path, old: str = "", new: str = ""):
    file = folder / "case.yaml"
    file.write_text(CASE.replace(old, new) if old else CASE, encoding="utf-8")
    return load_case(file)


@pytest.fixture(scope="module")
def opened(tmp_path_factory: pytest.TempPathFactory) -> Session:
    work = make_workpiece(case_with(tmp_path_factory.mktemp("case")))
    return open_session(work, work.model.virgin())


def test_the_lever_and_the_rods_strength_limit_the_force(opened: Session):
    case = opened.work.case
    way = way_to(case, 0.0, 0.0)
    arm = math.hypot(100.0, 40.0 - 25.0)
    lever = 200.0 * (600.0 - arm) / arm
    bending = 600.0 * math.pi * 8.0**3 / 32.0 / arm
    short = math.hypot(100.0, 40.0)
    by_short = 200.0 * (300.0 - short) / short
    assert bending < by_short < lever
    assert (way.rod, way.opening) == ("short rod", "lamp hole")
    assert way.force_N == pytest.approx(by_short, rel=1e-12)
    far = way_to(case, 60.0, 0.0)
    assert far.rod == "long rod"
    assert far.force_N == pytest.approx(
        600.0 * math.pi * 8.0**3 / 32.0 / math.hypot(160.0, 15.0), rel=1e-12)
    strong = tuple(rod.model_copy(update={"bears_MPa": 3000.0}) for rod in case.kit.rods)
    stiff = case.model_copy(update={"kit": case.kit.model_copy(update={"rods": strong})})
    assert way_to(stiff, 0.0, 0.0).force_N == pytest.approx(lever, rel=1e-12)
    assert way_to(case, -140.0, 30.0).force_N == math.inf
    assert not way_to(case, -140.0, 30.0).rod


def test_a_push_by_a_rod_ends_at_its_force_and_refits_once(opened: Session):
    limit = way_to(opened.work.case, 0.0, 0.0).force_N
    first = opened.push("ball-12", 0.0, 0.0, to_mm=20.0)
    row = first.now.row
    assert (row.rod, row.opening, row.outcome) == ("short rod", "lamp hole", "force limit")
    assert row.force_N == pytest.approx(limit, rel=0.021)
    second = first.push("ball-12", 20.0, 0.0, to_mm=20.0)
    times = opened.work.minutes
    assert row.minutes == pytest.approx(times["push"] + times["tool_change"] + times["set_up"]
                                        + times["access"] + 12.0)
    assert second.now.row.minutes == pytest.approx(times["push"])
    by_hand = first.push("ball-12", -136.0, 0.0, to_mm=0.5)
    assert (by_hand.now.row.rod, by_hand.now.row.opening) == ("", "")


@pytest.mark.parametrize(("place", "reason"), [
    ((5.0, 76.0), "motor in the way"), ((140.0, 0.0), "beam in the way")])
def test_what_cannot_be_reached_is_refused_with_the_nearest_place(opened: Session, place, reason):
    case = opened.work.case
    with pytest.raises(InputError) as caught:
        opened.push("ball-12", *place)
    assert reason in caught.value.what
    x, y = (float(word) for word in
            caught.value.expected.replace("mm", "").replace("y ", "").split("x ")[1].split(","))
    assert way_to(case, x, y) is not None
    assert need_way(case, x, y).force_N > 0.0
    assert not opened.work.reaches(*place)
    spot = replace(opened.spots()[0], x_mm=place[0], y_mm=place[1]) if opened.spots() else None
    if spot is not None:
        assert lifting_kinds(opened, spot) == ["pull"]


def test_a_pass_with_a_place_out_of_reach_does_nothing(opened: Session):
    from simkit.repair.passes import Spread
    with pytest.raises(InputError):
        opened.apply(Operation("push", "ball-12", 80.0, 0.0, spread=Spread(60.0, 20.0)))


@pytest.mark.parametrize(("old", "new", "word"), [
    ("thickness_mm: 8, hook_mm: 25", "thickness_mm: 8, hook_mm: 70", "does not go in"),
    ("length_mm: 600", "length_mm: 130", "too short")])
def test_rods_that_do_not_do_say_why(tmp_path: Path, old: str, new: str, word: str):
    text = CASE.replace(old, new).replace(
        "    - {name: short rod, length_mm: 300, thickness_mm: 10}\n", "")
    file = tmp_path / "case.yaml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        need_way(load_case(file), 60.0, 0.0)
    assert word in caught.value.what


@pytest.mark.parametrize(("old", "new"), [
    ("reach: [{x_mm: -140, y_mm: 0, length_mm: 20, width_mm: 160}]", "reach: all"),
    ("from_mm: 10, to_mm: 90", "from_mm: 90, to_mm: 10"),
    ("  rods:\n    - {name: short rod, length_mm: 300, thickness_mm: 10}\n"
     "    - {name: long rod, length_mm: 600, thickness_mm: 8, hook_mm: 25}\n", "")])
def test_openings_that_contradict_are_refused(tmp_path: Path, old: str, new: str):
    with pytest.raises((InputError, InputErrors)):
        case_with(tmp_path, old, new)
