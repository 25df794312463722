"""The study file: cases, what is varied, strategies, replicates and their scatter."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Literal

from pydantic import ValidationError

from simkit.case.base import Part, choice, items, number, text
from simkit.case.reading import Document, dotted, read_document
from simkit.errors import InputError, InputErrors


class Vary(Part):
    """One key of the cases that takes several values: a list, or a range with both ends."""

    key: str = text("Dotted key of the case file, such as panel.thickness_mm.")
    values: tuple[Any, ...] | None = choice("Values it takes.", None)
    start: float | None = choice("First value of a range.", None)
    stop: float | None = choice("Last value of a range.", None)
    count: int | None = choice("Number of values of a range, ends included.", None)


class Between(Part):
    """A number drawn between two bounds."""

    key: str = text("Dotted key of the case file.")
    low: float = choice("Lower bound, in the unit of the key.")
    high: float = choice("Upper bound, in the unit of the key.")


class Sample(Part):
    """Several keys drawn together, if a full grid would need too many runs."""

    method: Literal["latin-hypercube", "sobol", "sobol-indices"] = choice(
        "latin-hypercube; sobol (count a power of two); sobol-indices (count x (keys + 2) runs, "
        "for sensitivity indices).", "latin-hypercube")
    count: int = number("Number of draws.", 2, 100_000)
    keys: tuple[Between, ...] = items("Keys and their bounds.")


class Program(Part):
    """A fixed list of operations, run like a strategy."""

    name: str = text("Name in the table's column strategy.")
    operations: tuple[str, ...] = items(
        'Operations as `simkit try` takes them, such as "pull round-30 at 30,-15 to -2".')


class Scatter(Part):
    """Standard deviations of the random differences between real jobs; each replicate is a draw.

    The user gives the values; no source is claimed for them.
    """

    noise_mm: float = number("Error of a depth reading.", 0.0, 1.0, 0.0)
    thickness_pct: float = number("Sheet thickness.", 0.0, 20.0, 0.0)
    yield_pct: float = number("Flow stress.", 0.0, 30.0, 0.0)
    place_mm: float = number("Hand: place of a tool, in x and in y.", 0.0, 20.0, 0.0)
    height_pct: float = number("Hand: error of the height reached, percent of the distance to it.",
                               0.0, 50.0, 0.0)
    height_mm: float = number("Hand: error of the height reached that is added to it.",
                              0.0, 1.0, 0.0)


SCATTER = "scatter."
"""Beginning of the varied keys that are not keys of the case but of the study's scatter."""


class Study(Part):
    """Cases x variations x strategies x replicates."""

    format: Literal[1] = choice("Version of this format.")
    title: str = text("One line that names the study.")
    about: str = text("Where the data come from, or that they are invented.")
    cases: tuple[str, ...] = items("Case files, folders with case.yaml, or patterns with *.")
    vary: tuple[Vary, ...] = items("Keys that take several values; every combination is run.",
                                   (), 0)
    sample: Sample | None = choice("Keys drawn together, beside `vary`.", None)
    strategies: tuple[str, ...] = items(
        "Strategies; absent: those of each case, or none where there are programs.", (), 0)
    programs: tuple[Program, ...] = items("Fixed lists of operations beside the strategies.",
                                          (), 0)
    replicates: int = number("Runs of each combination, each with its own draw of scatter.",
                             1, 10_000, 1)
    scatter: Scatter = choice("What differs between replicates.", Scatter())
    seed: int = number("Seed of all draws.", 0, 2**31 - 1, 0)
    stage: Literal["bulk", "roughed", "fine", "finished"] = choice(
        "Stage whose steps and minutes the conclusions compare.", "fine")


def read_study(path: Path) -> Study:
    """Read a study file.

    Raises
    ------
    InputError, InputErrors : every error with line and key.
    """
    if path.is_dir():
        path = path / "study.yaml"
    if not path.is_file():
        raise InputError("no such study file", "a YAML file, see docs/studies.md", str(path))
    document = read_document(path)
    errors = [document.error(complaint) for complaint in document.complaints]
    if errors:
        raise InputErrors(errors)
    try:
        study = Study.model_validate(document.data)
    except ValidationError as error:
        raise InputErrors(_fault(document, fault) for fault in error.errors()) from None
    errors = list(_contradictions(document, study))
    if errors:
        raise InputErrors(errors)
    return study


def _fault(document: Document, fault: Any) -> InputError:
    path = tuple(part for part in fault["loc"] if isinstance(part, int | str))
    line = next((document.lines[path[:end]] for end in range(len(path), -1, -1)
                 if path[:end] in document.lines), None)
    words = {"missing": "key missing", "extra_forbidden": "unknown key"}
    what = words.get(fault["type"], f"found {str(fault['input'])[:60]!r}")
    expected = "" if fault["type"] in words else fault["msg"].lower()
    return InputError(what, expected or "see docs/studies.md", document.file, line, dotted(path))


def _contradictions(document: Document, study: Study) -> list[InputError]:
    """Values that each key allows by itself but that contradict each other."""
    found: list[tuple[tuple[str | int, ...], str, str]] = []
    for index, vary in enumerate(study.vary):
        ranged = [vary.start, vary.stop, vary.count]
        given = sum(item is not None for item in ranged)
        if (vary.values is not None) == (given > 0) or given in (1, 2):
            found.append((("vary", index), f"'{vary.key}' has both values and a range, or neither",
                          "either values, or start, stop and count"))
        elif vary.values is not None and not vary.values:
            found.append((("vary", index), "no values", "at least one"))
        elif vary.count is not None and not 2 <= vary.count <= 10_000:
            found.append((("vary", index, "count"), f"{vary.count} values", "2 to 10000"))
    keys = [vary.key for vary in study.vary]
    if study.sample is not None:
        keys += [between.key for between in study.sample.keys]
        count = study.sample.count
        if study.sample.method != "latin-hypercube" and count & (count - 1):
            found.append((("sample", "count"), f"{count} draws",
                          "a power of two, as Sobol' sequences need to be balanced"))
        found += [(("sample", "keys", index), f"{between.low:g} to {between.high:g}",
                   "the lower bound first") for index, between in enumerate(study.sample.keys)
                  if not between.low < between.high]
    found += [(("vary",), f"'{key}' is varied twice", "each key once")
              for key in sorted({key for key in keys if keys.count(key) > 1})]
    scattered = any(study.scatter.model_dump().values()) or any(
        key.startswith(SCATTER) for key in keys)
    if study.replicates > 1 and not scattered:
        found.append((("replicates",), f"{study.replicates} replicates without any scatter",
                      "some scatter, or 1: they would all be the same run"))
    names = [*study.strategies, *(program.name for program in study.programs)]
    if len(set(names)) < len(names):
        found.append((("strategies",), "a strategy or program is named twice", "each once"))
    lines = document.lines
    return [InputError(what, expected, document.file, lines.get(path, lines.get(path[:1])),
                       dotted(path)) for path, what, expected in found]
