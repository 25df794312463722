"""From what was computed of every blind dent to predictions, calibrated bands and the table.

Only the calibration half decides anything: rooms of the bands, strengths, what of a strength is
carried on. The test half is foretold with these.
"""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
from blind_dents import DENTS, grid_xy, hash_of
from blind_history_page import learned_summary, summary

from simkit.errors import InputError
from simkit.files import write_table
from simkit.history.calibrated import (
    COLUMNS as STORED_COLUMNS,
)
from simkit.history.calibrated import (
    KINDS,
    MIDDLE_PULL,
    MIDDLE_TAP,
    PLACE_TAP,
    PULL_LEARNED,
    STORED,
    TAP_LEARNED,
    Room,
    room,
    score,
    strength_of,
)
from simkit.history.learning import Learned, Usual, learn, telling_places
from simkit.history.plausible import MODEL_MM, band, spanned, weights
from simkit.study.readings import as_readings

RESULTS = Path(__file__).parent / "results" / "blind_history.csv"
COLUMNS = ("case", "half", "learned", "operation", "true_mm", "predicted_mm", "low_mm", "high_mm",
           "error_pct", "sheet_pct", "imprint_mm", "springs_true_mm", "springs_mm", "match_mm",
           "seconds", "taken")
SECOND = ("second tap, middle", "pull after tap, middle")
"""What is foretold before and after readings of the first tap."""
KIND = {"tap, tapped place": PLACE_TAP, "tap, middle": MIDDLE_TAP, "pull, middle": MIDDLE_PULL,
        SECOND[0]: MIDDLE_TAP, SECOND[1]: MIDDLE_PULL}
LEARNED_KIND = {SECOND[0]: TAP_LEARNED, SECOND[1]: PULL_LEARNED}
NOISE_MM, SMALL_MM = 0.02, 0.02
"""Noise of one reading; smaller true changes have no error in per cent and score nothing."""
READ = {"one tap": (0.005, True), "one tap, 0.02 mm": (NOISE_MM, True),
        "one tap, after only": (NOISE_MM, False)}
"""Ways to read a tap: noise of a reading, mm, and whether the places are read before it too. The
first is a dial gauge with divisions of 0.01 mm (its noise is a judgement, no source)."""
USUAL = "one tap"
TOLD_MM = float(np.hypot(NOISE_MM, MODEL_MM))
"""Standard error by which the telling places are chosen, as in simkit's advice."""
CALIBRATION = "calibration"
SHARES = (0.0, 0.5, 1.0)
"""Shares of the tap's strength and of the sheet's deviation that are tried for the next answer."""
MOST_WORSE = 0.1
"""Largest growth of a dent's error, over the true change, by what is carried on."""
ENOUGH = 9
"""Dents from which nine in ten can be calibrated."""
Case = tuple[float, np.ndarray, list[float]]
"""True change, what each history foretold, belief in each."""
REST = Usual(1.0, 0.15)
"""Strength of a step where the sheet's own doubt is counted apart; a judgement."""


def read_kept(keep: Path) -> list[dict[str, Any]]:
    """What was computed, in the order of the list of dents."""
    files = [keep / f"{dent.name}.json" for dent in DENTS]
    kept = [json.loads(file.read_text("utf-8")) for file in files if file.exists()]
    return [dent for dent in kept if "truth" in dent]


def belief_of(dent: dict[str, Any]) -> list[float]:
    """Weights of a dent's histories before any step."""
    return weights([member["alone_mm"] for member in dent["members"]])


def foretold(dent: dict[str, Any], name: str) -> np.ndarray:
    """What each history answers."""
    return np.array([member["answers"][name] for member in dent["members"]])


def lesson(dent: dict[str, Any], wrong: dict[int, float] | None = None,
           other: dict[str, Any] | None = None, way: str = USUAL) -> Learned:
    """What five readings of the first tap teach, where they tell most.

    ``wrong``: what is added to single readings after it (numbers 0 to 4), mm; ``other``: the dent
    whose readings are given by mistake; ``way``: see READ.
    """
    members, truth = dent["members"], (other or dent)["truth"]
    chosen, (noise, twice) = places_read(dent), READ[way]
    change, stood = (np.array([one["answers"][name] for one in members])[:, chosen]
                     for name in ("places", "stood"))
    rng = np.random.default_rng(hash_of(dent["dent"]) + 1)
    after = (np.array(truth["stood"]) + np.array(truth["places"]))[chosen]
    after = after + rng.normal(0.0, noise, len(chosen))
    before = np.array(truth["stood"])[chosen] + rng.normal(0.0, noise, len(chosen))
    for k, add in (wrong or {}).items():
        after[k] += add
    read = as_readings(np.column_stack(
        [grid_xy()[chosen], *([before] if twice else []), after]), noise)
    found = learn(read.standing(stood), change, after, belief_of(dent), read.error_mm, REST,
                  sheet_ways(dent, "places")[:, chosen])
    try:
        read.check_before(stood, 1)
    except InputError:
        return replace(found, foreign=True)
    return found


def sheet_ways(dent: dict[str, Any], name: str) -> np.ndarray:
    """What the first history's answer gains in a sheet one standard error off, a row each way.

    It was computed two standard errors off."""
    first = np.array(dent["members"][0]["answers"][name])
    return np.array([0.5 * (np.array(other[name]) - first) for other in dent["law"].values()
                     if name in other]).reshape((-1, *first.shape))


def places_read(dent: dict[str, Any]) -> list[int]:
    """Numbers of the five places that are read, of those where the tap was foretold."""
    change = np.array([member["answers"]["places"] for member in dent["members"]])
    chosen, _ = telling_places(change, belief_of(dent), TOLD_MM, grid_xy())
    if not chosen:  # one history only: where it foretells most
        chosen = [int(k) for k in np.argsort(-np.abs(change[0]))[:5]]
    return chosen


def wrong_readings(kept: list[dict[str, Any]]) -> str:
    """How many slips of 1 mm are named, how many files of the next dent are refused."""
    some = [dent for dent in kept if "places" in dent["truth"]]
    slips = [lesson(dent, {k: size}) for dent in some for k in range(5) for size in (-1.0, 1.0)]
    named = [found.slips == (k // 2 % 5,) and not found.foreign for k, found in enumerate(slips)]
    foreign = [lesson(dent, other=other).foreign
               for dent, other in zip(some, [*some[1:], *some[:1]], strict=True)]
    right = [lesson(dent) for dent in some]
    false = sum(bool(found.slips) or found.foreign for found in right)
    return (f"Wrong readings: {sum(named)} of {len(named)} slips of 1 mm named and left out, "
            f"{sum(foreign)} of {len(foreign)} files of another panel refused; of {len(right)} "
            f"right files {false} doubted.")


def renewed(dent: dict[str, Any], name: str, carried: float, taught: Learned,
            of_sheet: float = 1.0) -> tuple[np.ndarray, list[float]]:
    """What each history answers to the next step once the tap was read, and its weight."""
    strength = 1.0 + carried * (np.array(taught.strength) - 1.0)
    sheet = of_sheet * (np.array(taught.sheet) @ sheet_ways(dent, name))
    return foretold(dent, name) * strength + sheet, list(taught.weights)


def calibrated(kept: list[dict[str, Any]]) -> dict[str, Room]:
    """Rooms and strengths by kind of answer, from the calibration half.

    A kind with too few dents for nine in ten has at least the room of all kinds together.
    """
    half = [dent for dent in kept if dent["half"] == CALIBRATION]
    found: dict[str, Room] = {}
    pooled: list[float] = []
    for name in ("tap, tapped place", "tap, middle", "pull, middle"):
        cases = [(dent["truth"][name], foretold(dent, name), belief_of(dent)) for dent in half
                 if abs(dent["truth"].get(name, 0.0)) > SMALL_MM]
        found[KIND[name]] = _room(KIND[name], cases, 0.0)
        pooled += scores_of(cases)
    for name, kind in LEARNED_KIND.items():
        some = [dent for dent in half if abs(dent["truth"].get(name, 0.0)) > SMALL_MM
                and abs(dent["truth"]["tap, middle"]) > SMALL_MM]
        carried, of_sheet = shares_carried(some, name) if len(some) >= ENOUGH else (0.0, 0.0)
        cases = [(dent["truth"][name], *renewed(dent, name, carried, lesson(dent), of_sheet))
                 for dent in some]
        found[kind] = replace(_room(kind, cases, carried), sheet=of_sheet)
    least = room(pooled)[1]
    return {kind: one if one.cases >= ENOUGH else
            replace(one, room_share=max(one.room_share, least)) for kind, one in found.items()}


def shares_carried(some: list[dict[str, Any]], name: str) -> tuple[float, float]:
    """Shares of the strength and of the sheet with which the next answer is predicted best.

    Of those that make no dent worse by more than MOST_WORSE, the ones with the smallest median of
    the error after over the error before.
    """
    taught = [lesson(dent) for dent in some]
    before = np.array([abs(ratio(dent, name) ** -1 - 1.0) for dent in some])
    best, least = (0.0, 0.0), np.inf
    for carried, of_sheet in product(SHARES, SHARES):
        after = []
        for dent, one in zip(some, taught, strict=True):
            values, belief = renewed(dent, name, carried, one, of_sheet)
            after.append(abs(float(values @ np.array(belief)) / dent["truth"][name] - 1.0))
        worse = float((np.array(after) - before).max())
        better = float(np.median(np.array(after) / np.maximum(before, 1e-3)))
        if worse <= MOST_WORSE and better < least:
            best, least = (carried, of_sheet), better
    return best


def ratio(dent: dict[str, Any], name: str) -> float:
    """True over foretold change."""
    return dent["truth"][name] / float(foretold(dent, name) @ np.array(belief_of(dent)))


def _room(kind: str, cases: list[Case], carried: float) -> Room:
    middle = [float(values @ np.array(belief)) for _, values, belief in cases]
    usual = strength_of([true for true, _, _ in cases], middle) if cases else (1.0, 0.0)
    return Room(kind, len(cases), *room(scores_of(cases)), *usual, carried)


def scores_of(cases: list[Case]) -> list[float]:
    """Score of each dent: how far its truth lies beyond the range of its histories."""
    return [score(true, *spanned(values, belief), float(values @ np.array(belief)))
            for true, values, belief in cases]


def store(keep: Path) -> None:
    """Write the rooms that simkit reads."""
    found = calibrated(read_kept(keep))
    STORED.parent.mkdir(exist_ok=True)
    write_table(STORED, STORED_COLUMNS, [
        {name: getattr(found[kind], name) if name in ("kind", "cases")
         else f"{getattr(found[kind], name):.4f}" for name in STORED_COLUMNS} for kind in KINDS])


def rows_of(dent: dict[str, Any], rooms: dict[str, Room], alone: dict[str, Any]
            ) -> list[dict[str, str]]:
    """Rows of one dent."""
    common = {"case": dent["dent"], "half": dent["half"],
              "springs_true_mm": f"{dent['springs_mm']:.2f}",
              "springs_mm": "/".join(f"{one['springs_mm']:.2f}" for one in dent["members"]),
              "match_mm": f"{dent['members'][0]['match_mm']:.4f}",
              "seconds": f"{dent['ensemble_s']:.1f}",
              "taken": f"{dent['members'][0]['words']} (of {len(dent['members'])}, "
                       f"{dent['tried']} tried)"}
    rows = []
    for name, kind in KIND.items():
        if name not in dent["truth"]:
            continue
        rows.append(common | _row(name, "no", dent, foretold(dent, name), belief_of(dent),
                                  rooms[kind], alone))
    if "places" in dent["truth"]:
        for way in READ:
            taught = lesson(dent, way=way)
            for name, kind in LEARNED_KIND.items():
                values, belief = renewed(dent, name, rooms[kind].carried, taught,
                                         rooms[kind].sheet)
                rows.append(common | _row(name, way, dent, values, belief, rooms[kind], alone))
    return rows


def _row(name: str, learned: str, dent: dict[str, Any], values: np.ndarray, belief: list[float],
         usual: Room, alone: dict[str, Any]) -> dict[str, str]:
    """Truth, prediction and band of one change."""
    true = dent["truth"][name]
    seen = band(values, belief, usual.room_share)
    error = 100.0 * (seen.predicted_mm / true - 1.0) if abs(true) > SMALL_MM else np.nan
    sheet = 100.0 * float(np.linalg.norm(sheet_ways(dent, name))) / abs(seen.predicted_mm)
    return {"learned": learned, "operation": name, "true_mm": f"{true:.4f}",
            "predicted_mm": f"{seen.predicted_mm:.4f}", "low_mm": f"{seen.low_mm:.4f}",
            "high_mm": f"{seen.high_mm:.4f}",
            "imprint_mm": f"{alone[name]:.4f}" if name in alone else "",
            "error_pct": "" if np.isnan(error) else f"{error:.1f}", "sheet_pct": f"{sheet:.1f}"}


def tabulate(keep: Path, results: Path = RESULTS) -> None:
    """Write the table of all dents computed so far, and say what it says."""
    kept = read_kept(keep)
    rooms = calibrated(kept)
    rows = []
    for dent in kept:
        file = keep / f"{dent['dent']}-imprint.json"
        alone = json.loads(file.read_text("utf-8")) if file.exists() else {}
        rows += rows_of(dent, rooms, alone)
    write_table(results, COLUMNS, rows)
    print("\n".join(one.sentence() for one in rooms.values()))
    print("\n".join([*summary(rows), *learned_summary(rows), wrong_readings(kept)]))
