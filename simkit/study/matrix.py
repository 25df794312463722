"""From a study to its runs: every combination, always in the same order."""

from __future__ import annotations

import glob
import itertools
import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from scipy.stats import qmc

from simkit.case import Case, with_keys
from simkit.checks.deeper import check_case
from simkit.errors import InputError, InputErrors
from simkit.repair.spoken import read_operation
from simkit.strategy import find_strategy
from simkit.study.scatter import varied_scatter
from simkit.study.studyfile import SCATTER, Sample, Scatter, Study, Vary


@dataclass(frozen=True)
class RunPlan:
    """One run of a study.

    Attributes
    ----------
    name : folder name of the case; case : with all varied keys set.
    varied : values by key; strategy : its name; replicate : its number, from 0.
    draw : number of the draw of `sample`, -1 without one; program : the operations, if the strategy
        is a fixed list of them. scatter : what differs between replicates.
    """

    name: str
    case: Case
    varied: dict[str, Any]
    strategy: str
    replicate: int
    draw: int = -1
    program: tuple[str, ...] = ()
    scatter: Scatter = field(default_factory=Scatter)


def case_paths(study: Study, folder: Path) -> list[Path]:
    """Case files of a study, patterns expanded, in order and without repetition.

    Raises
    ------
    InputError : a pattern that finds nothing.
    """
    found: dict[Path, None] = {}
    for pattern in study.cases:
        if any(sign in pattern for sign in "*?["):
            hits = sorted(glob.glob(pattern, root_dir=folder))
            files = [folder / hit for hit in hits
                     if (folder / hit / "case.yaml").is_file() or hit.endswith((".yaml", ".yml"))]
            if not files:
                raise InputError(f"'{pattern}' finds no case", "a pattern for case files or "
                                 "folders that hold case.yaml", key="cases")
            found.update(dict.fromkeys(files))
        else:
            found[folder / pattern] = None
    return list(found)


def count_runs(study: Study, folder: Path) -> int:
    """Estimated number of runs, without reading the cases; a case whose strategies are named in
    the case file counts as three runs."""
    per = len(study.strategies) + len(study.programs) or 3
    return len(case_paths(study, folder)) * _points(study) * per * study.replicates


def _points(study: Study) -> int:
    points = 1
    for vary in study.vary:
        points *= len(vary.values) if vary.values is not None else int(vary.count or 1)
    if study.sample is not None:
        # Saltelli's estimators need the matrices A, B and A with one column of B for each key
        factor = len(study.sample.keys) + 2 if study.sample.method == "sobol-indices" else 1
        points *= study.sample.count * factor
    return points


def plan_runs(study: Study, folder: Path) -> list[RunPlan]:
    """All runs of a study.

    Raises
    ------
    InputError, InputErrors : a case or a varied case with faults, an unknown strategy.
    """
    for name in study.strategies:
        find_strategy(name)
    for program in study.programs:
        for operation in program.operations:
            read_operation(operation)
    plans: list[RunPlan] = []
    for path in case_paths(study, folder):
        case = check_case(str(path))
        name = case.folder.resolve().name if case.file.name == "case.yaml" else case.file.stem
        for varied, draw in variations(study):
            scatter = varied_scatter(study.scatter, varied)
            of_case = {key: value for key, value in varied.items()
                       if not key.startswith(SCATTER)}
            try:
                changed = with_keys(case, of_case) if of_case else case
            except InputErrors as errors:
                first = errors.errors[0]
                raise InputError(f"{name} with {words(varied)}: {first.what}", first.expected,
                                 key=first.key) from None
            plans += [RunPlan(name, changed, varied, strategy, replicate, draw, program,
                              scatter)
                      for strategy, program in _ways(study, case)
                      for replicate in range(study.replicates)]
    return plans


def _ways(study: Study, case: Case) -> list[tuple[str, tuple[str, ...]]]:
    """Strategies by name, and programs with their operations."""
    names = study.strategies or (() if study.programs else case.strategies)
    return [(name, ()) for name in names] + [
        (program.name, program.operations) for program in study.programs]


def words(varied: dict[str, Any]) -> str:
    """Varied keys in one line."""
    return ", ".join(f"{key} {_word(value)}" for key, value in varied.items())


def _word(value: Any) -> str:
    if isinstance(value, float):
        return f"{value:g}"
    return json.dumps(value) if isinstance(value, list | tuple | dict) else str(value)


def variations(study: Study) -> Iterator[tuple[dict[str, Any], int]]:
    """Values of the varied keys, and the number of the draw (-1 without `sample`)."""
    keys = [vary.key for vary in study.vary]
    grid = itertools.product(*(values_of(vary) for vary in study.vary))
    draws = [({}, -1)] if study.sample is None else [
        (point, number) for number, point in enumerate(drawn(study.sample, study.seed))]
    for values in grid:
        for point, number in draws:
            yield {**dict(zip(keys, values, strict=True)), **point}, number


def values_of(vary: Vary) -> list[Any]:
    """Values of one varied key."""
    if vary.values is not None:
        return list(vary.values)
    assert vary.start is not None
    assert vary.stop is not None
    return [float(value) for value in np.linspace(vary.start, vary.stop, int(vary.count or 2))]


def drawn(sample: Sample, seed: int) -> list[dict[str, float]]:
    """Points of a sample: Latin hypercube, Sobol' points, or the matrices A, B and A with one
    column of B each, which Saltelli's estimators of Sobol' indices need (scipy.stats.qmc)."""
    size = len(sample.keys)
    low = [between.low for between in sample.keys]
    high = [between.high for between in sample.keys]
    if sample.method == "latin-hypercube":
        points = qmc.LatinHypercube(size, rng=np.random.default_rng(seed)).random(sample.count)
    elif sample.method == "sobol":
        points = qmc.Sobol(size, rng=np.random.default_rng(seed)).random(sample.count)
    else:
        both = qmc.Sobol(2 * size, rng=np.random.default_rng(seed)).random(sample.count)
        a, b = both[:, :size], both[:, size:]
        mixed = []
        for column in range(size):
            mixed.append(a.copy())
            mixed[-1][:, column] = b[:, column]
        points = np.concatenate([a, b, *mixed])
    scaled = qmc.scale(points, low, high)
    return [{between.key: float(value) for between, value in zip(sample.keys, row, strict=True)}
            for row in scaled]
