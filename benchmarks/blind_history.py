"""Blind test: dents of known history, reconstructed from their depth field alone.

Run: python benchmarks/blind_history.py [--only NAME ...] [--fresh] [--imprint] [--page] [--store]

Every dent (blind_dents.py) is struck on another mesh, with other increments and in another sheet
than those of the reconstruction, some with a body that the reconstruction does not know, some with
two blows, some with the crown partly tapped down already. Its deviation is read on a grid of 6 mm
with noise of 0.02 mm; nothing else is handed over. On the true panel a tap takes the crown down to
two fifths of its height (where there is a crown) and a pull the middle half way out (strong made-up
glue); then the same tools are driven by the same travel, without a goal, on the reconstructed
panel. What is compared is the change after release: of the tapped place, of the middle by the tap,
of the middle by the pull; and after the tap, of the middle by a second one and by a pull.

All this is computed once a dent and kept in build/blind_history (--keep), so that an interrupted
test goes on. What follows from it, in a second or two, is in blind_history_table.py. ``--imprint``
adds what a panel without a history (imprint alone) answers. ``--store`` writes the calibrated bands
that simkit reads. Truth: OWN (the engine itself with the true history; what is tested is the
reconstruction).
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
from blind_dents import (
    DENTS,
    HALF_MM,
    TRUE,
    USUAL,
    Dent,
    Place,
    Planned,
    Way,
    grid_xy,
    half_of,
    half_way,
    hash_of,
    plan,
    pull,
    tap,
    true_dent,
)
from blind_history_page import main as write_page
from blind_history_table import RESULTS, SECOND, store, tabulate

from simkit.case import Case
from simkit.case.load import load_case
from simkit.case.vary import with_keys
from simkit.files import write_json
from simkit.history.plausible import LAW
from simkit.history.reconstruct import Reconstruction, histories, imprinted, realise
from simkit.history.strike import Blow
from simkit.inspection.sampling import make_sampling, probe_at
from simkit.mechanics.model import Model, State
from simkit.panel.edges import SIDES
from simkit.repair.workpiece import make_workpiece

KEEP = Path(__file__).parent.parent / "build" / "blind_history"
FINE_MM, COARSE_MM, COARSER = 6.0, 18.0, 1.4
GRID_MM, NOISE_MM = 6.0, 0.02
AGAIN = 1.25
"""The second tap, by which learning is tried, goes so much further than the first."""


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


def grid_round(middle: Place) -> np.ndarray:
    """Places (n, 2) at which a tap may be read, round the middle of a dent."""
    return np.clip(middle + grid_xy(), -0.9 * HALF_MM, 0.9 * HALF_MM)


def answers(model: Model, state: State, planned: Planned, way: Way = USUAL) -> dict[str, Any]:
    """What the tap and the pull change, and after the tap a second one and a pull, mm; what the
    tap changes at the places of :func:`grid_round`, and what stood there."""
    crown, middle, tap_mm, pull_mm = planned
    at_crown, at_middle = probe_at(model, *crown), probe_at(model, *middle)

    def change(probe, after: State, before: State = state) -> float:
        return round(probe.read(after.displacement) - probe.read(before.displacement), 5)

    found: dict[str, Any] = {}
    if tap_mm > 0.0:
        tapped = tap(model, state, crown, tap_mm, way=way).state
        again = tap(model, tapped, crown, AGAIN * tap_mm, way=way).state
        probes = [probe_at(model, float(x), float(y)) for x, y in grid_round(middle)]
        found = {"tap, tapped place": change(at_crown, tapped),
                 "tap, middle": change(at_middle, tapped),
                 SECOND[0]: change(at_middle, again, tapped),
                 SECOND[1]: change(at_middle, pull(model, tapped, middle, pull_mm, way=way).state,
                                   tapped),
                 "places": [change(probe, tapped) for probe in probes],
                 "stood": [round(probe.read(state.displacement), 5) for probe in probes]}
    return found | {"pull, middle": change(at_middle,
                                           pull(model, state, middle, pull_mm, way=way).state)}


def member_of(made: Reconstruction, model: Model, planned: Planned, words: str,
              trial_mm: float) -> dict[str, Any]:
    """A history carried out in full, and what it answers."""
    return {"words": words, "trial_mm": round(trial_mm, 5), "alone_mm":
            round(made.strike_rms_mm, 5), "match_mm": round(made.rms_mm, 5),
            "blows": len(made.blows), "matched": made.matched,
            "springs_mm": round(half_way(model, made.state, planned[1])[1], 4),
            "answers": answers(model, made.state, planned)}


def in_other_sheet(case: Case, blows: tuple[Blow, ...], planned: Planned) -> dict[str, Any]:
    """What the first history answers in sheets off by two declared standard errors."""
    found = {}
    for name, pct in LAW.items():
        key = "panel.thickness_mm" if name == "thickness" else "panel.flow_stress_pct"
        usual = case.panel.thickness_mm if name == "thickness" else case.panel.flow_stress_pct
        work = make_workpiece(with_keys(case, {key: usual * (1.0 + 0.02 * pct)}))
        made = realise(work, blows)
        if made is not None:
            found[name] = answers(work.model, made.state, planned)
    return found


def one_dent(dent: Dent, folder: Path) -> dict[str, Any]:
    """Everything computed of one dent."""
    model, state = true_dent(dent)
    planned, springs = plan(model, state)
    truth = answers(model, state, planned, TRUE)
    case = load_case(write_case(dent, model, state, folder))
    start = time.process_time()
    work, fit = make_workpiece(case), make_workpiece(case, coarser=COARSER)
    found, tried = histories(fit)
    searched = time.process_time() - start
    members, kept = [], ()
    for one in found:
        made = realise(work, one.trial.blows)
        if made is None:
            continue
        kept = kept or made.blows
        members.append(member_of(made, work.model, planned, one.trial.words(), one.trial.rms_mm))
    seconds = time.process_time() - start
    return {"format": 1, "dent": dent.name, "half": half_of(dent), "planned": planned,
            "truth": truth, "springs_mm": round(springs, 4),
            "members": members, "tried": tried, "search_s": round(searched, 1),
            "ensemble_s": round(seconds, 1), "law": in_other_sheet(case, kept, planned)}


def imprint_of(dent: Dent, folder: Path) -> dict[str, Any]:
    """What a panel without a history answers."""
    model, state = true_dent(dent)
    planned, _ = plan(model, state)
    work = make_workpiece(load_case(write_case(dent, model, state, folder)))
    return answers(work.model, imprinted(work).state, planned)


def compute(dent: Dent, keep: Path, imprint: bool) -> None:
    """Compute and keep what is not yet kept of one dent."""
    for file, what in ((keep / f"{dent.name}.json", one_dent),
                       *(((keep / f"{dent.name}-imprint.json", imprint_of),) if imprint else ())):
        if file.exists():
            continue
        began = time.process_time()
        with tempfile.TemporaryDirectory() as folder:
            try:
                write_json(file, what(dent, Path(folder)))
            except RuntimeError as error:
                print(f"{dent.name}: FAILED: {error}", flush=True)
                continue
        print(f"{file.stem}: {time.process_time() - began:.0f} s of the processor", flush=True)


def main() -> int:
    """Compute what is not yet kept; then the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--only", nargs="*", default=[])
    parser.add_argument("--fresh", action="store_true", help="compute again what is kept")
    parser.add_argument("--imprint", action="store_true", help="imprint alone beside it")
    parser.add_argument("--keep", type=Path, default=KEEP, help="folder of what was computed")
    parser.add_argument("--results", type=Path, default=RESULTS, help="table to write")
    parser.add_argument("--store", action="store_true", help="write the bands simkit reads")
    parser.add_argument("--page", action="store_true", help="renew docs/reconstruction.md")
    options = parser.parse_args()
    options.keep.mkdir(parents=True, exist_ok=True)
    some = [dent for dent in DENTS if not options.only or dent.name in options.only]
    for dent in some:
        if options.fresh:
            (options.keep / f"{dent.name}.json").unlink(missing_ok=True)
        compute(dent, options.keep, options.imprint)
    if options.store:
        store(options.keep)
    tabulate(options.keep, options.results)
    if options.page:
        write_page()
    missing = [d.name for d in some if not (options.keep / f"{d.name}.json").exists()]
    return 1 if missing else 0


if __name__ == "__main__":
    raise SystemExit(main())
