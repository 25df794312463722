"""Answers that the keys of a case file must change: a small coarse panel, seconds for all keys."""

from __future__ import annotations

import contextlib
import io
import json
from collections.abc import Callable, Mapping
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.figure import Figure

from simkit.case import Case, make_case
from simkit.case.load import case_text
from simkit.case.plan import plan_bounds
from simkit.case.vary import with_keys
from simkit.cli.main import main
from simkit.cli.working import hello
from simkit.errors import InputError
from simkit.history.deep.explain import COARSE
from simkit.history.deep.family import Presses
from simkit.history.deep.readings import readings_of
from simkit.history.deep.search import travels_of
from simkit.history.given import blow_of
from simkit.history.reconstruct import _bounds, histories, reconstruct
from simkit.inspection.measured import wanted_spots
from simkit.measurement.read import read_dent
from simkit.repair.access import need_way
from simkit.repair.bent import with_bent_beds
from simkit.repair.levels import bulk_level
from simkit.repair.operations import Operation
from simkit.repair.session import Session, open_session
from simkit.repair.workpiece import make_workpiece, minutes_of
from simkit.show.region import Region
from simkit.show.setting import draw_behind
from simkit.strategy import find_strategy
from simkit.study.hand import by_hand
from simkit.study.run import ending

CORE: dict[str, Any] = {
    "format": 1, "title": "Small panel", "about": "Invented for the tests.",
    "panel": {"length_x_mm": 120, "length_y_mm": 100, "thickness_mm": 0.8, "grade": "DC04"},
    "mesh": {"fine_mm": 20, "coarse_mm": 40, "layers": 3},
    "kit": {"tabs": ["round-25"], "tips": ["ball-12"], "glue": "standard-hot-melt"},
    "strategies": ["crown-first"]}


def joined(base: Mapping[str, Any], more: Mapping[str, Any]) -> dict[str, Any]:
    """One tree over another; None takes a key away."""
    found = dict(base)
    for key, value in more.items():
        under = found.get(key)
        found[key] = joined(under, value) if isinstance(value, dict) and isinstance(
            under, dict) else value
    return {key: value for key, value in found.items() if value is not None}


def write_files(folder: Path) -> None:
    """The data files that the bases name; all invented."""
    rng = np.random.default_rng(3)
    for name, deep in (("points", 1.0), ("points2", 0.7)):
        xy = rng.uniform(-38.0, 38.0, (40, 2))
        d = -deep * np.exp(-(xy**2).sum(axis=1) / 400.0)
        (folder / f"{name}.csv").write_text("x_mm,y_mm,d_mm\n" + "".join(
            f"{x:.2f},{y:.2f},{z:.3f}\n" for (x, y), z in zip(xy, d, strict=True)))
    for name, deep in (("sections", 1.0), ("sections2", 0.7)):
        (folder / f"{name}.csv").write_text("section,s_mm,d_mm\n" + "".join(
            f"{section},{s},{-deep * np.exp(-(s - middle)**2 / 400.0):.3f}\n"
            for section, middle in (("A", 30), ("B", 25)) for s in range(0, 2 * middle + 1, 10)))
    x, y = np.linspace(-60.0, 60.0, 13), np.linspace(-50.0, 50.0, 11)
    for name, deep in (("grid", -1.0), ("grid2", -0.7), ("heights", 6.0), ("heights2", 5.0)):
        rows = [["y\\x", *map(str, x)]] + [[str(v), *(
            f"{deep * (np.exp(-(u**2 + v**2) / 400.0) if 'grid' in name else 1 - u**2 / 2e4):.4f}"
            for u in x)] for v in y]
        (folder / f"{name}.csv").write_text("\n".join(map(",".join, rows)) + "\n")
    u, v = np.meshgrid(np.linspace(-60.0, 60.0, 61), np.linspace(-50.0, 50.0, 51))
    for name, deep in (("scan", 1.0), ("scan2", 0.7), ("whole", 0.0), ("whole2", -0.3)):
        low = deep * np.exp(-((u - 6.0)**2 + 2.0 * (v - 4.0)**2) / 300.0)
        side = 1e-3 * u  # one side higher, so that a mirrored panel is another one
        np.save(folder / f"{name}.npy", np.stack([u, v, side - low], axis=-1).reshape(-1, 3))
    strain = np.concatenate([np.linspace(0.0, 0.03, 16), np.linspace(0.028, -0.01, 20)])
    for name, less in (("reversed", 60.0), ("reversed2", 40.0)):
        stress = np.where(np.arange(36) < 16, 150.0 + 2000.0 * strain,
                          np.maximum(-210.0 + less * np.exp(150.0 * (strain - 0.03)),
                                     210.0 + 206e3 * (strain - 0.03)))
        stress[0] = 0.0
        (folder / f"{name}.csv").write_text("strain,stress_MPa\n" + "".join(
            f"{e:.5f},{s:.2f}\n" for e, s in zip(strain, stress, strict=True)))
    (folder / "own.yaml").write_text(
        "tips:\n  own-tip: {kind: ball, radius_mm: 9}\n")
    (folder / "times.yaml").write_text("source: invented for the tests\nminutes:\n  pull: 77\n")
    for name in ("mine", "other"):
        (folder / f"{name}.py").write_text(
            "class Mine:\n    name = 'mine'\n    told = '" + name + "'\n"
            "    def next(self, session):\n        return None\n"
            "class Other(Mine):\n    told = 'the other class'\n")


def case_of(base: Mapping[str, Any], folder: Path, changes: Mapping[str, Any]) -> Case:
    """The base's case with keys set; InputError(s) where the case file refuses them."""
    case = make_case(joined(CORE, base), folder)
    return with_keys(case, changes) if changes else case


def _numbers(session: Session) -> list[dict[str, Any]]:
    return [asdict(step.row) for step in session.steps[1:]]


def _virgin(case: Case) -> Session:
    work = make_workpiece(case)
    state = work.model.virgin()
    return open_session(with_bent_beds(work, state), state)


def _name(tool: Any) -> str:
    return tool if isinstance(tool, str) else str(tool.name)


def worked(case: Case) -> Any:
    """A push on the virgin panel, beside its middle."""
    return _numbers(_virgin(case).push(_name(case.kit.tips[0]), 8.0, 6.0, 0.6, 30.0))


def pulled(case: Case) -> Any:
    """A pull on the virgin panel, beside its middle."""
    return _numbers(_virgin(case).pull(_name(case.kit.tabs[0]), -12.0, 4.0, 0.5, 30.0))


def tapped(case: Case) -> Any:
    """A tap onto what lies behind the panel."""
    return _numbers(_virgin(case).tap_down("ball-12", 5.0, 5.0, -0.6))


def greeted(case: Case) -> Any:
    """First words of a run."""
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        hello(case)
    return out.getvalue()


def pushed_beside(case: Case) -> Any:
    """Where a push from behind is refused, on a fine grid."""
    work = make_workpiece(case)
    return [work.reaches(x, y) for x in np.arange(-20, 30, 1.5) for y in np.arange(-20, 30, 1.5)]


def by_rods(case: Case) -> Any:
    """How a push comes to places of a grid, and how hard; where it does not, what is said."""
    found: list[Any] = []
    for x, y in ((x, y) for x in range(-50, 51, 10) for y in range(-40, 41, 10)):
        try:
            found.append(asdict(need_way(case, float(x), float(y))))
        except InputError as error:
            found.append(str(error))
    return found


def lifted(case: Case) -> Any:
    """A pull drawn by a lifter of the kit."""
    lifter = case.kit.lifters[0].name
    return _numbers(_virgin(case).apply(
        Operation("pull", "round-25", 4.0, 3.0, 0.2, 30.0, lifter=lifter)))


def rigged(case: Case) -> Any:
    """A pull by a beam or a spreader of the kit, whichever it has."""
    rig = ({"beam": case.kit.beams[0].name} if case.kit.beams
           else {"spreader": case.kit.spreaders[0].name})
    return _numbers(_virgin(case).apply(
        Operation("pull", "round-25", 4.0, 3.0, 0.2, 30.0, 150.0, **rig)))


def hammered(case: Case) -> Any:
    """A blow by a hammer of the kit."""
    return _numbers(_virgin(case).apply(Operation(
        "tap-down", "ball-12", 4.0, 3.0, -9.0, hammer=case.kit.hammers[0].name, speed_m_s=0.8)))


def wedged(case: Case) -> Any:
    """A push by a wedge of the kit, as far as it goes."""
    return _numbers(_virgin(case).apply(
        Operation("push", case.kit.wedges[0].name, 4.0, 3.0, 9.0, 30.0)))


def known(case: Case) -> Any:
    """What blows known roughly leave at the readings, where their search begins."""
    work = make_workpiece(case)
    assert work.depth is not None
    presses = Presses(work, readings_of(work.depth), COARSE, lambda text: None)
    found = []
    for body in (blow_of(one) for one in case.history.blows or ()):
        family = presses.family((), replace(body, travel_mm=None), travels_of(body))
        found.append((family.travels_mm.tolist(), family.d_mm.tolist()))
    return found


def bent(case: Case) -> Any:
    """A push on a panel that was dented with its beds behind it."""
    work = make_workpiece(case)
    state = reconstruct(work).state
    return _numbers(open_session(with_bent_beds(work, state), state).push("ball-12", 3.0, 2.0, 0.1))


def measured(case: Case) -> Any:
    """The depth field on a grid, and its lows and highs."""
    field = read_dent(case.dent, plan_bounds(case.panel))
    assert field is not None
    x, y = np.meshgrid(np.linspace(-55.0, 55.0, 56), np.linspace(-45.0, 45.0, 46))
    return [field(x, y).tolist(), repr(wanted_spots(field, case.goal.tolerance_mm))]


def struck(case: Case) -> Any:
    """The panel as the case's blows leave it."""
    done = reconstruct(make_workpiece(case))
    return [done.method, done.rms_mm, done.told, done.state.displacement.tolist()]


def meshed(case: Case) -> Any:
    """The elements of the mesh on which a repair begins."""
    return bulk_level(make_workpiece(case)).model.geometry.elements


def sought(case: Case) -> Any:
    """What strikers are tried, and whether any blow can have made the dent from that side."""
    work = make_workpiece(case)
    found = () if case.history.side == "outside" else histories(work)
    return [repr(_bounds(work)), len(found)]


def way(case: Case) -> Any:
    """Which way the dent is made."""
    return reconstruct(make_workpiece(case)).method


def searched(case: Case) -> Any:
    """What history a search ends with."""
    done = reconstruct(make_workpiece(case))
    return [done.method, done.rms_mm, repr(done.blows)]


def drawn(case: Case) -> Any:
    """Outlines of what stands behind the panel, in its pictures."""
    behind = case.model_dump(mode="json")["panel"]["behind"]
    ax = Figure().add_subplot()
    draw_behind(ax, (), behind["openings"], Region(-60.0, 60.0, -50.0, 50.0))
    return [patch.get_transform().transform_path(patch.get_path()).vertices.tolist()
            for patch in ax.patches]


def judged(case: Case) -> Any:
    """Step 0 of an imprinted bowl against the goal."""
    work = make_workpiece(case)
    session = open_session(work, reconstruct(work).state)
    return [asdict(session.now.row), repr(session.spots())]


def ended(case: Case) -> Any:
    """Whether a repair is at its end after one step."""
    return ending(_virgin(case).push("ball-12", 5.0, 5.0, 0.6))


def spent(case: Case) -> Any:
    """Minutes of a push, a tap with another tool, a pull, a hold and letting it down."""
    session = _virgin(case).push("ball-12", 5.0, 5.0, 0.2).tap_down("ball-12", 5.0, 5.0, 0.1)
    session = session.pull("round-25", 5.0, 5.0, 0.2).hold("round-25", -20.0, 5.0, 50.0)
    return [row["minutes"] for row in _numbers(session.let_down())] + [minutes_of(case)]


def by_the_hand(case: Case) -> Any:
    """What a hand makes of a push."""
    return by_hand(_virgin(case), Operation("push", "ball-12", 5.0, 5.0, 0.6))


def planned(case: Case) -> Any:
    """The strategies of the case as they are found."""
    found = [find_strategy(name, case) for name in (*case.strategies, "planner")]
    return [repr(vars(one)) if hasattr(one, "__dict__") else repr(one) for one in found] + [
        getattr(one, "told", one.name) for one in found]


def printed(case: Case) -> Any:
    """What `simkit check` says."""
    out = io.StringIO()
    file = case.folder / "printed.yaml"
    file.write_text(case_text(case))
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(out):
        code = main(["check", str(file)])
    return [code, out.getvalue()]


ANSWERS: dict[str, Callable[[Case], Any]] = {f.__name__.replace("_", "-"): f for f in (
    worked, pulled, tapped, greeted, pushed_beside, by_rods, lifted, rigged, hammered, wedged,
    known, bent, measured, struck, meshed, sought, way, searched, drawn, judged, ended, spent,
    by_the_hand, planned, printed)}


def told(answer: Any) -> str:
    """An answer as text, to compare."""
    return json.dumps(answer, default=repr, sort_keys=True)
