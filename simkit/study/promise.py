"""The improvement that can be promised within a time, from repairs of many possible panels.

Each run draws a history of the dent by its posterior weight, a sheet and the errors of a hand, and
repairs within the minutes. With n exchangeable runs, the next run exceeds the k-th smallest
improvement with probability 1 - k / (n + 1) (order statistics; for one given set of runs this
probability has the distribution Beta(n + 1 - k, k)). This holds as far as the drawn panels
represent the real one; :mod:`simkit.study.calibration` checks that on blind dents.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from scipy import stats

from simkit.case import Case, make_case
from simkit.case.blows import LEAST_DEPTH_MM, SIZES
from simkit.case.load import given
from simkit.case.repair import STAGE_NAMES
from simkit.errors import InputError
from simkit.files import read_back, write_json, write_table
from simkit.folders import announce
from simkit.record.write import identity
from simkit.study.jobs import NOT_MATCHED, make_job, read_result, run_digest
from simkit.study.matrix import RunPlan
from simkit.study.run import Start
from simkit.study.runner import carry_out_all
from simkit.study.scatter import scattered
from simkit.study.studyfile import Scatter, Study

USUAL = Scatter(thickness_pct=2.0, yield_pct=5.0, place_mm=2.0, height_pct=5.0, height_mm=0.02)
"""Scatter of a job (common practice, no source): set your own with a study."""
PROMISED_SHARES = (0.5, 0.8, 0.95)
MOST_DRAWS = 3
"""Panels drawn at most, over the runs wanted."""


@dataclass(frozen=True)
class Promise:
    """Results of the runs, and the promises that follow from them.

    Attributes
    ----------
    minutes : limit; runs : number of runs with a result; grid_min : times of the curves.
    curves : (runs, times) improvement after the last step that ended by that time, %.
    stages : share of the runs that reached each stage in time.
    left_out : drawn panels in which the history does not leave the measured depth.
    """

    minutes: float
    runs: int
    grid_min: np.ndarray
    curves: np.ndarray
    stages: Mapping[str, float]
    left_out: int = 0

    def at_least(self, share: float, column: int = -1) -> float:
        """Improvement, %, that is reached in a share of cases; nan if there are too few runs."""
        return at_least(self.curves[:, column], share)

    def sentences(self) -> list[str]:
        """The promise as it is told to a customer, and its uncertainty."""
        said = []
        for share in PROMISED_SHARES:
            value = self.at_least(share)
            if np.isnan(value):
                said.append(f"in {share:.0%} of cases: nothing can be said from {self.runs} runs "
                            f"(at least {runs_needed(share)} are needed)")
                continue
            low, high = coverage(self.runs, share)
            said.append(f"at least {value:.0f} % better in {share:.0%} of cases within "
                        f"{self.minutes:g} minutes (from {self.runs} runs; 90 % interval of the "
                        f"true share: {low:.0%} to {high:.0%})")
        half = float(np.mean(self.curves[:, -1] >= 50.0))
        said.append(f"half better was reached in {half:.0%} of the runs")
        said += [f"stage {stage} was reached in {share:.0%} of the runs"
                 for stage, share in self.stages.items()]
        if self.left_out:
            said.append(f"{self.left_out} more drawn panels were left out: in their sheet the "
                        "history does not leave the depth that was read")
        return said


def at_least(values: np.ndarray, share: float) -> float:
    """The value that the next exchangeable value exceeds with at least the probability ``share``:
    the k-th smallest with k = floor((n + 1) (1 - share)); the 1e-9 is for rounding."""
    k = int(np.floor((values.size + 1) * (1.0 - share) + 1e-9))
    return float(np.sort(values)[k - 1]) if 1 <= k <= values.size else float("nan")


def runs_needed(share: float) -> int:
    """Least number n of runs for a share: (n + 1) (1 - share) >= 1."""
    return int(np.ceil(1.0 / (1.0 - share) - 1e-9)) - 1


def coverage(runs: int, share: float, sure: float = 0.9) -> tuple[float, float]:
    """Interval of the true share of cases in which a promise from ``runs`` runs is kept."""
    k = int(np.floor((runs + 1) * (1.0 - share) + 1e-9))
    law = stats.beta(runs + 1 - k, k)
    return float(law.ppf(0.5 - 0.5 * sure)), float(law.ppf(0.5 + 0.5 * sure))


def case_digest(case: Case) -> str:
    """Short digest of a case with its data; names the folder of its dent."""
    return hashlib.sha256(json.dumps(identity(case), sort_keys=True).encode()).hexdigest()[:12]


def drawn_case(case: Case, notes: Mapping[str, Any], minutes: float, number: int,
               seed: int) -> Case:
    """The case of one run: its dent is made by the blows of a history drawn by its weight."""
    data = given(case)
    history = drawn_history(notes, np.random.default_rng([seed, number, 17]))
    if history is not None:
        data["dent"] = {"blows": history}
        data.pop("history", None)
    elif "blows" not in data.get("dent", {}):
        raise InputError("no history of blows is known for this dent",
                         "a dent whose history is searched (history.method: strike), or one "
                         "given by blows", str(case.file))
    data["limits"] = {**data.get("limits", {}), "minutes": float(minutes), "steps": 500}
    return make_case(data, case.folder, name=str(case.file))


def drawn_history(notes: Mapping[str, Any],
                  random: np.random.Generator) -> list[dict[str, Any]] | None:
    """Blows of one plausible history in the form of a case file; None if there is no history."""
    plausible = notes.get("plausible")
    if not plausible:
        return None
    weights = np.array([float(item["weight"]) for item in plausible])
    chosen = plausible[int(random.choice(weights.size, p=weights / weights.sum()))]
    return [_as_given(blow) for blow in chosen["blows"]]


def _as_given(blow: Mapping[str, Any]) -> dict[str, Any]:
    told: dict[str, Any] = {
        "body": blow["kind"], "side": "outside" if blow["depth_mm"] < 0.0 else "inside",
        **{key: float(blow[key]) for key in ("radius_mm", "x_mm", "y_mm", "angle_deg",
                                             "tilt_along_deg", "tilt_across_deg")}}
    # a search may turn a body past half a turn, where the case file's range ends
    told["angle_deg"] = (told["angle_deg"] + 180.0) % 360.0 - 180.0
    if blow.get("travel_mm") is not None:
        told["travel_mm"] = float(blow["travel_mm"])
    else:
        # less is below what readings show, and below the case file's range
        told["depth_mm"] = max(abs(float(blow["depth_mm"])), LEAST_DEPTH_MM)
    for key in SIZES[blow["kind"]]:
        told[key] = max(float(blow[key]), 2.1 * told["radius_mm"])
    return told


def promise(start: Start, strategy: str, minutes: float, runs: int, folder: Path, workers: int,
            progress: Callable[[str], None], scatter: Scatter = USUAL) -> Promise:
    """Carry the runs out, or continue them, and return the promises that follow.

    In a sheet that springs back far, or snaps, the blows of a drawn history may not leave the depth
    that was read. Such a panel is not the one that was read; it is left out and another is drawn.
    """
    case = start.work.case
    study = Study(format=1, title=case.title, about=case.about, cases=("case",))

    def place_of(number: int) -> Path:
        drawn = drawn_case(case, start.notes, minutes, number, case.seed)
        plan = RunPlan(case.folder.name or "case", scattered(drawn, scatter, case.seed, number), {},
                       strategy, number)
        place = folder / "runs" / run_digest(plan, study)
        announce(folder / "starts" / make_job(plan, study, place))
        return place

    places: list[Path] = []
    wanted = runs
    while wanted > 0 and len(places) < MOST_DRAWS * runs:
        places += [place_of(number) for number in range(len(places), len(places) + wanted)]
        missing = [place for place in places if read_result(place) is None]
        carry_out_all(missing, folder / "starts", workers, None, progress,
                      [f"run {places.index(place) + 1}" for place in missing])
        # only a panel that could not be dented so is replaced; a failed run is not
        wanted = runs - len(places) + sum(_impossible(read_result(place)) for place in places)
    found = read_off(places, minutes)
    rows = [{"minutes": f"{time:g}", **{
        f"at_least_{share:.0%}".replace("%", "_pct"): _cell(found.at_least(share, k))
        for share in PROMISED_SHARES}} for k, time in enumerate(found.grid_min)]
    write_table(folder / "promise.csv", tuple(rows[0]), rows)
    write_json(folder / "promise.json", {
        "format": 1, "kind": "promise", "title": case.title, "minutes": minutes,
        "strategy": strategy, "runs": found.runs, "left_out": found.left_out,
        "sentences": found.sentences(),
        "scatter": scatter.model_dump()})
    return found


def _cell(value: float) -> str:
    return "" if np.isnan(value) else f"{value:.2f}"


def read_off(places: Sequence[Path], minutes: float) -> Promise:
    """Curves of the improvement, and the shares of the stages, from the records of the runs.

    Raises
    ------
    InputError : fewer than two runs have a record.
    """
    grid = np.linspace(0.0, minutes, 61)
    curves, reached = [], []
    results = [read_result(place) for place in places]
    for place, result in zip(places, results, strict=True):
        if result is None or "row" not in result or _impossible(result):
            continue
        curves.append(improvement_by(place / "run", grid))
        reached.append({stage: _in_time(result["row"].get(f"minutes_{stage}", ""), minutes)
                        for stage in STAGE_NAMES})
    if len(curves) < 2:
        raise InputError(f"{len(curves)} runs ended with a result", "at least two: see the "
                         "runs' result.json for their reasons")
    return Promise(minutes, len(curves), grid, np.array(curves), {
        stage: float(np.mean([one[stage] for one in reached])) for stage in STAGE_NAMES},
        sum(map(_impossible, results)))


def _impossible(result: Mapping[str, Any] | None) -> bool:
    """Whether the drawn panel's dent could not be made as the history says."""
    return result is not None and result["status"] == NOT_MATCHED


def improvement_by(run: Path, times_min: np.ndarray) -> np.ndarray:
    """Improvement, %, of a run folder after the last step that has ended by each time."""
    text = read_back(run / "steps.csv").decode("utf-8")
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    ends = np.cumsum([float(row["minutes"]) for row in rows])
    better = np.array([float(row["improvement_pct"]) for row in rows])
    # 1e-9 min for rounding of the sum
    last = np.maximum(np.searchsorted(ends, times_min + 1e-9, "right") - 1, 0)
    return np.asarray(better[last])


def _in_time(cell: str, minutes: float) -> bool:
    return cell != "" and float(cell) <= minutes
