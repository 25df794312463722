"""Blind test: dents of known history, reconstructed from their depth field alone.

Run: python benchmarks/blind_history.py [--only NAME ...] [--fresh] [--page]

Every dent is struck on a panel of even elements of its own size (another mesh than that of the
reconstruction), some with a body that the reconstruction does not know, two with two blows, two
with the crown partly tapped down already. Its deviation is read on a grid of 6 mm with noise of
0.02 mm; nothing else is handed over. On the true panel a tap takes the crown down to two fifths of
its height (where there is a crown) and a pull the middle half way out (strong made-up glue); then
the same tools are driven by the same travel, without a goal, on the reconstructed panel. What is
compared is the change after release: of the tapped place, of the middle by the tap, of the middle
by the pull. The same with no history at all (imprint alone) stands beside it.

The prediction is the mean over plausible histories, weighted by how well each, carried out in
full, explains the depths; the band is what they leave (see simkit.history.plausible).
Finished cases are kept in benchmarks/results/blind_history.csv and are not computed again. The
dents are invented. Truth: OWN (the engine itself with the true history; what is tested is the
reconstruction).
"""

from __future__ import annotations

import argparse
import csv
import json
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from blind_history_page import main as write_page
from blind_history_page import summary

from simkit.case.load import load_case
from simkit.files import write_table
from simkit.history.learning import Learned, learn, telling_places
from simkit.history.plausible import band, weights
from simkit.history.reconstruct import histories, imprinted, realise
from simkit.history.strike import SETTINGS as STRIKING
from simkit.inspection.sampling import make_sampling, point_on, probe_at
from simkit.material.grades import load_grade
from simkit.mechanics.contact.attach import glue_tab, set_tip
from simkit.mechanics.model import Model, State, build_model
from simkit.mechanics.stepping.advance import advance
from simkit.mechanics.stepping.orders import Advance, Load
from simkit.panel.edges import HELD, SIDES
from simkit.panel.surface import Curvature, rectangle_patch
from simkit.repair.operations import PULLING
from simkit.repair.operations import SETTINGS as TAPPING
from simkit.repair.workpiece import make_workpiece
from simkit.tool.bodies import RigidBody, ball, blade, block, flat_nose, rounded_cylinder
from simkit.tool.catalogue import find_glue, find_tab, find_tip

RESULTS = Path(__file__).parent / "results" / "blind_history.csv"
COLUMNS = ("case", "half", "learned", "operation", "true_mm", "predicted_mm", "low_mm", "high_mm",
           "error_pct", "imprint_mm", "match_mm", "seconds", "taken")
HALF_MM, TRUE_ELEMENT_MM, FINE_MM, COARSE_MM, COARSER = 120.0, 5.5, 6.0, 18.0, 1.4
GRID_MM, NOISE_MM = 6.0, 0.02
AGAIN = 1.25
"""The second tap, by which learning is tried, goes so much further than the first."""
CROWN_MM, FURTHEST_MM = 0.06, 30.0
"""Crowns below this are not tapped; no tool travels further."""
SMALL_MM = 0.02
"""Changes below this, the noise of one reading, have no error in per cent."""
GLUE = {"name": "made up, never lets go", "tension_MPa": 50.0, "tension_energy_N_per_mm": 900.0,
        "shear_energy_N_per_mm": 900.0}


Place = tuple[float, float]


@dataclass(frozen=True)
class Hit:
    """One true blow: body, travel from first touch (mm), place, turn and tilt (degrees)."""

    body: RigidBody
    travel_mm: float
    x_mm: float = 0.0
    y_mm: float = 0.0
    angle_deg: float = 0.0
    tilt_deg: float = 0.0


@dataclass(frozen=True)
class Dent:
    """A dent of known history; radii of the panel in mm (0: flat)."""

    name: str
    hits: tuple[Hit, ...]
    grade: str = "DC04"
    thickness_mm: float = 0.75
    radius_x_mm: float = 0.0
    radius_y_mm: float = 0.0
    tapped: bool = False
    about: str = field(default="")


STEEL_CURVED = {"radius_x_mm": 1500.0, "radius_y_mm": 700.0}
ALU = {"grade": "AA6016-T4", "thickness_mm": 1.0}
DENTS = (
    Dent("ball-5-flat", (Hit(ball(5.0), 4.0),)),
    Dent("ball-15-flat", (Hit(ball(15.0), 5.0),)),
    Dent("ball-40-flat", (Hit(ball(40.0), 6.0),)),
    Dent("ball-80-double", (Hit(ball(80.0), 8.0),), **STEEL_CURVED),
    Dent("ball-25-double", (Hit(ball(25.0), 7.0),), **STEEL_CURVED),
    Dent("ball-25-single", (Hit(ball(25.0), 6.0),), radius_x_mm=900.0),
    Dent("ball-20-off-centre", (Hit(ball(20.0), 6.0, 35.0, -22.0),), **STEEL_CURVED),
    Dent("ball-20-alu", (Hit(ball(20.0), 6.0),), **ALU, **STEEL_CURVED),
    Dent("ball-60-alu-flat", (Hit(ball(60.0), 7.0),), **ALU),
    Dent("cylinder-15", (Hit(rounded_cylinder(15.0, 80.0), 5.0, 0.0, 0.0, 30.0),),
         **STEEL_CURVED),
    Dent("cylinder-40-alu", (Hit(rounded_cylinder(40.0, 140.0), 6.0, -10.0, 5.0, -20.0),),
         **ALU, radius_x_mm=1200.0),
    Dent("edge-4", (Hit(blade(4.0, 60.0), 4.0, 0.0, 0.0, 60.0),)),
    Dent("edge-8-tilted", (Hit(blade(8.0, 70.0), 5.0, 5.0, 0.0, 15.0, 6.0),), **STEEL_CURVED),
    Dent("block-30", (Hit(block(40.0, 24.0, 4.0), 5.0, 0.0, 0.0, 20.0),), **STEEL_CURVED),
    Dent("block-tilted-alu", (Hit(block(40.0, 40.0, 5.0), 6.0, 0.0, 0.0, 0.0, 5.0),), **ALU),
    Dent("disc-20", (Hit(flat_nose(20.0, 3.0), 5.0, -15.0, 10.0),), radius_x_mm=900.0),
    Dent("two-balls", (Hit(ball(20.0), 5.0, -18.0, 0.0), Hit(ball(20.0), 5.0, 20.0, 8.0)),
         **STEEL_CURVED),
    Dent("ball-and-edge", (Hit(ball(25.0), 6.0), Hit(blade(5.0, 40.0), 3.0, 24.0, 10.0, 45.0)),
         **STEEL_CURVED),
    Dent("ball-25-tapped", (Hit(ball(25.0), 7.0),), **STEEL_CURVED, tapped=True),
    Dent("cylinder-20-tapped", (Hit(rounded_cylinder(20.0, 70.0), 5.0, 0.0, 0.0, 0.0),),
         **ALU, tapped=True),
)


def true_panel(dent: Dent) -> Model:
    """The panel with even elements."""
    side = (-HALF_MM, HALF_MM)
    curvature = Curvature(dent.radius_x_mm or np.inf, dent.radius_y_mm or np.inf)
    patch = rectangle_patch(side, side, curvature, TRUE_ELEMENT_MM, TRUE_ELEMENT_MM)
    return build_model(patch, load_grade(dent.grade).sheet(), dent.thickness_mm,
                       dict.fromkeys(SIDES, HELD), 5)


def press(model: Model, state: State, body: RigidBody, x: float, y: float, travel: float,
          settings, angle_deg: float = 0.0, tilt_deg: float = 0.0,
          goal_mm: float | None = None) -> Advance:
    """Press a body in from outside by a travel, or to a goal, and release."""
    place, normal = point_on(model, state, x, y)
    angle = np.radians(angle_deg)
    along = np.array([np.cos(angle), np.sin(angle), 0.0])
    direction = -normal + np.tan(np.radians(tilt_deg)) * np.cross(normal, along)
    tool = set_tip(model, state, body, place, direction / np.linalg.norm(direction), travel, along)
    return _done(advance(model, state, Load(tool, travel, probe=probe_at(model, x, y),
                                            goal_mm=goal_mm), settings))


def _done(result: Advance) -> Advance:
    if not result.outcome.valid:
        raise RuntimeError(result.reason)
    return result


def tap(model: Model, state: State, place: Place, travel: float,
        goal_mm: float | None = None) -> Advance:
    """Tap the crown down."""
    return press(model, state, find_tip("ball-12").body, *place, travel, TAPPING, goal_mm=goal_mm)


def pull(model: Model, state: State, place: Place, travel: float,
         goal_mm: float | None = None) -> Advance:
    """Pull the middle out."""
    at, normal = point_on(model, state, *place)
    tool = glue_tab(model, state, find_tab("round-30"), find_glue(GLUE), at, normal)
    return _done(advance(model, state, Load(tool, travel, probe=probe_at(model, *place),
                                            goal_mm=goal_mm), PULLING))


def true_dent(dent: Dent) -> tuple[Model, State]:
    """The panel after its true history."""
    model = true_panel(dent)
    state = model.virgin()
    for hit in dent.hits:
        state = press(model, state, hit.body, hit.x_mm, hit.y_mm, hit.travel_mm, STRIKING,
                      hit.angle_deg, hit.tilt_deg).state
    if dent.tapped:
        crown, _ = places(model, state)
        state = tap(model, state, crown, 1.5).state
    return model, state


def places(model: Model, state: State) -> tuple[Place, Place]:
    """The crown and the lowest place, away from the edges; of crowns alike within 0.01 mm the one
    nearest to the lowest place, then the one to the right, then above."""
    inner = 0.8 * HALF_MM
    d = make_sampling(model.patch, (-inner, inner, -inner, inner), 3.0).field(state)
    x, y = (a.ravel() for a in np.meshgrid(d.x_mm, d.y_mm))
    k = int(np.argmin(np.round(d.d_mm.ravel(), 3) + 1e-6 * np.hypot(x, y)))
    low = (float(x[k]), float(y[k]))
    far = np.round(np.hypot(x - low[0], y - low[1]))
    high = np.lexsort((-y, -x, far, -np.round(d.d_mm.ravel(), 2)))[0]
    return (float(x[high]), float(y[high])), low


def plan(model: Model, state: State) -> tuple[Place, Place, float, float]:
    """Where to tap and to pull, and by what travel (0: no crown to tap)."""
    crown, middle = places(model, state)
    height = probe_at(model, *crown).read(state.displacement)
    depth = probe_at(model, *middle).read(state.displacement)
    tapped = 0.0
    if height >= CROWN_MM:
        tapped = tap(model, state, crown, FURTHEST_MM, 0.4 * height).travel_mm
    return crown, middle, tapped, pull(model, state, middle, FURTHEST_MM, 0.5 * depth).travel_mm


def write_case(dent: Dent, model: Model, state: State, folder: Path) -> Path:
    """What is handed over: the panel and noisy depths."""
    rng = np.random.default_rng(abs(hash_of(dent.name)))
    inner = HALF_MM - GRID_MM
    sampled = make_sampling(model.patch, (-inner, inner, -inner, inner), GRID_MM).field(state)
    xx, yy = np.meshgrid(sampled.x_mm, sampled.y_mm)
    noisy = sampled.d_mm + rng.normal(0.0, NOISE_MM, sampled.d_mm.shape)
    np.savetxt(folder / "depth.csv", np.stack([xx.ravel(), yy.ravel(), noisy.ravel()], 1),
               delimiter=",", header="x_mm,y_mm,d_mm", comments="", fmt="%.4f")
    curved = {"surface": "curved"} if dent.radius_x_mm or dent.radius_y_mm else {"surface": "flat"}
    for key in ("radius_x_mm", "radius_y_mm"):
        if getattr(dent, key):
            curved[key] = getattr(dent, key)
    text = {"format": 1, "title": dent.name, "about": "Invented for the blind test.",
            "panel": {**curved, "length_x_mm": 2 * HALF_MM, "length_y_mm": 2 * HALF_MM,
                      "thickness_mm": dent.thickness_mm, "grade": dent.grade,
                      "edges": dict.fromkeys(SIDES, "held")},
            "mesh": {"fine_mm": FINE_MM, "coarse_mm": COARSE_MM},
            "dent": {"points_csv": "depth.csv", "noise_mm": NOISE_MM},
            "history": {"method": "strike"},
            "kit": {"tabs": ["round-30"], "tips": ["ball-12"], "glue": "standard-hot-melt"}}
    (folder / "case.yaml").write_text(json.dumps(text), encoding="utf-8")  # JSON is YAML
    return folder


def hash_of(name: str) -> int:
    """A number from a name, the same on every run."""
    return sum((k + 1) * ord(c) for k, c in enumerate(name))


def changes(model: Model, state: State, planned: tuple[Place, Place, float, float]
            ) -> dict[str, float]:
    """What the tap and the pull change, and after the tap a second one and a pull, mm."""
    crown, middle, tap_mm, pull_mm = planned
    at_crown, at_middle = probe_at(model, *crown), probe_at(model, *middle)

    def change(probe, after: State, before: State = state) -> float:
        return probe.read(after.displacement) - probe.read(before.displacement)

    found = {}
    if tap_mm > 0.0:
        tapped = tap(model, state, crown, tap_mm).state
        again = tap(model, tapped, crown, AGAIN * tap_mm).state
        found = {"tap, tapped place": change(at_crown, tapped),
                 "tap, middle": change(at_middle, tapped),
                 SECOND[0]: change(at_middle, again, tapped),
                 SECOND[1]: change(at_middle, pull(model, tapped, middle, pull_mm).state, tapped)}
    return found | {"pull, middle": change(at_middle, pull(model, state, middle, pull_mm).state)}


SECOND = ("second tap, middle", "pull after tap, middle")
"""What is foretold before and after readings of the first tap."""


def tap_field(model: Model, state: State, planned: tuple[Place, Place, float, float],
              xy: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Deviation at places (n, 2) before the tap, and what the tap changes there."""
    probes = [probe_at(model, float(x), float(y)) for x, y in xy]
    after = tap(model, state, planned[0], planned[2]).state
    before = np.array([probe.read(state.displacement) for probe in probes])
    return before, np.array([probe.read(after.displacement) for probe in probes]) - before


def lesson(dent: Dent, truth: tuple[Model, State], members: list[tuple[Model, State]],
           belief: list[float], planned: tuple[Place, Place, float, float]) -> Learned:
    """What five readings with noise after the first tap teach, where they tell most."""
    _, middle, _, _ = planned
    side = np.linspace(-0.35 * HALF_MM, 0.35 * HALF_MM, 13)
    xx, yy = np.meshgrid(middle[0] + side, middle[1] + side)
    xy = np.clip(np.column_stack([xx.ravel(), yy.ravel()]), -0.9 * HALF_MM, 0.9 * HALF_MM)
    told = [tap_field(*member, planned, xy) for member in members]
    change = np.array([c for _, c in told])
    chosen, _ = telling_places(change, belief, NOISE_MM, xy)
    if not chosen:  # one history only: where it foretells most
        chosen = [int(k) for k in np.argsort(-np.abs(change[0]))[:5]]
    _, true = tap_field(*truth, planned, xy[chosen])
    rng = np.random.default_rng(hash_of(dent.name) + 1)
    read = true + rng.normal(0.0, NOISE_MM * np.sqrt(2.0), len(chosen))
    return learn(np.zeros((len(members), len(chosen))), change[:, chosen], read, belief,
                 NOISE_MM * np.sqrt(2.0))


def one_case(dent: Dent, folder: Path) -> list[dict[str, str]]:
    """Rows of one dent."""
    model, state = true_dent(dent)
    planned = plan(model, state)
    truth = changes(model, state, planned)
    case = load_case(write_case(dent, model, state, folder))
    start = time.process_time()
    work = make_workpiece(case)
    fit = make_workpiece(case, coarser=COARSER)
    found, tried = histories(fit)
    foretold, alone, match, spent, members = [], [], [], 0.0, []
    for k, member in enumerate(found):
        made = realise(work, member.trial.blows)
        if k == 0:
            spent = time.process_time() - start
        if made is None:
            continue
        foretold.append(changes(work.model, made.state, planned))
        alone.append(made.strike_rms_mm)
        match.append(made.rms_mm)
        members.append((work.model, made.state))
    blind = changes(work.model, imprinted(work).state, planned)
    belief = weights(alone)
    common = {"case": dent.name, "half": half_of(dent), "match_mm": f"{match[0]:.4f}",
              "seconds": f"{spent:.1f}",
              "taken": f"{found[0].trial.words()} (of {len(found)}, {tried} tried)"}
    rows = [common | row_of(name, "no", true, [f[name] for f in foretold], belief, blind[name])
            for name, true in truth.items()]
    if planned[2] > 0.0:
        taught = lesson(dent, (model, state), members, belief, planned)
        for name in SECOND:
            strength = taught.strength if name == SECOND[0] else [1.0] * len(members)
            values = [f[name] * s for f, s in zip(foretold, strength, strict=True)]
            rows.append(common | row_of(name, "one tap", truth[name], values, list(taught.weights),
                                        blind[name]))
    return rows


def half_of(dent: Dent) -> str:
    """Every second dent calibrates the bands of the others."""
    return ("calibration", "test")[[d.name for d in DENTS].index(dent.name) % 2]


def row_of(name: str, learned: str, true: float, foretold: list[float], belief: list[float],
           blind: float) -> dict[str, str]:
    """Truth, prediction and band of one change."""
    seen = band(foretold, belief)
    error = 100.0 * (seen.predicted_mm / true - 1.0) if abs(true) > SMALL_MM else np.nan
    return {"learned": learned, "operation": name, "true_mm": f"{true:.4f}",
            "predicted_mm": f"{seen.predicted_mm:.4f}", "low_mm": f"{seen.low_mm:.4f}",
            "high_mm": f"{seen.high_mm:.4f}", "imprint_mm": f"{blind:.4f}",
            "error_pct": "" if np.isnan(error) else f"{error:.1f}"}


def main() -> int:
    """Run what is not yet kept."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--only", nargs="*", default=[])
    parser.add_argument("--fresh", action="store_true", help="compute again what is kept")
    parser.add_argument("--results", type=Path, default=RESULTS, help="table to keep")
    parser.add_argument("--page", action="store_true", help="renew docs/reconstruction.md")
    options = parser.parse_args()
    kept: list[dict[str, str]] = []
    if options.results.exists():
        with options.results.open(newline="", encoding="utf-8") as stream:
            kept = list(csv.DictReader(stream))
    if options.fresh:
        kept = [row for row in kept if options.only and row["case"] not in options.only]
    failed: list[str] = []
    for dent in DENTS:
        if options.only and dent.name not in options.only:
            continue
        if any(row["case"] == dent.name for row in kept):
            continue
        with tempfile.TemporaryDirectory() as folder:
            try:
                rows = one_case(dent, Path(folder))
            except RuntimeError as error:
                print(f"{dent.name}: FAILED: {error}", flush=True)
                failed.append(dent.name)
                continue
        kept += rows
        write_table(options.results, COLUMNS, kept)
        for row in rows:
            print(f"{row['case']:<20} {row['operation']:<18} true {row['true_mm']:>8} predicted "
                  f"{row['predicted_mm']:>8} [{row['low_mm']}, {row['high_mm']}] imprint "
                  f"{row['imprint_mm']} error {row['error_pct']} %", flush=True)
        print(f"    {rows[0]['taken']}; match {rows[0]['match_mm']} mm, {rows[0]['seconds']} s",
              flush=True)
    print("\n".join(summary(kept)))
    if options.page:
        write_page()
    return 1 if failed else 0


if __name__ == "__main__":
    raise SystemExit(main())
