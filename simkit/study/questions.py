"""Ready questions: a study, the quantities that answer the question, and the text of its page."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from pydantic import ValidationError

import simkit
from simkit.case.base import Part, choice, items, text
from simkit.case.reading import dotted, read_document
from simkit.errors import InputError, InputErrors, one_of
from simkit.study.gather import read_rows
from simkit.study.studyfile import Study, read_study

PLACE = Path(simkit.__file__).parents[1] / "cases" / "questions"
"""Where the questions are, in a source tree."""


class Quantity(Part):
    """One quantity of the answer, taken from the steps of each run."""

    column: str = text("Column of steps.csv.")
    of: Literal["last", "largest", "first", "smallest"] = choice(
        "Which step: the last, the first worked one, or the largest or smallest value of all.",
        "last")
    over: Literal["mean", "spread"] = choice(
        "Of the runs at one place of the axis: their mean, or the largest less the smallest.",
        "mean")
    label: str = text("Axis label with its unit.")


class Question(Part):
    """The question, the key that is varied, and the quantities that are compared."""

    format: Literal[1] = choice("Version of this format.")
    question: str = text("The question in one sentence.")
    along: str = text("Varied key along the figure's axis, or `strategy`.")
    label: str = text("Label of that axis.")
    series: str = text("Column that makes the lines: strategy, case or a varied key.")
    setup: str = text("How it is tried, in words.")
    says: tuple[str, ...] = items("What the quick study's numbers say, a sentence or two each.")
    not_for: tuple[str, ...] = items("Where it does not hold.")
    sure: str = text("How sure it is.")
    quantities: tuple[Quantity, ...] = items("What is looked at, a panel of the figure each.")


@dataclass(frozen=True)
class Asked:
    """A question with its folder and its study (quick or full)."""

    name: str
    folder: Path
    question: Question
    study: Study


@dataclass(frozen=True)
class Line:
    """One line of one part of the figure: values by label of the axis."""

    quantity: Quantity
    series: str
    points: dict[str, float]

    def sentence(self) -> str:
        """Where the quantity is least and where it is largest."""
        if not self.points:
            return f"{self.series}, {self.quantity.label}: no run gave a value"
        low = min(self.points, key=lambda key: self.points[key])
        high = max(self.points, key=lambda key: self.points[key])
        if low == high or len(self.points) == 1:
            return f"{self.series}, {self.quantity.label}: {self.points[low]:.4g} at {low}"
        return (f"{self.series}, {self.quantity.label}: least {self.points[low]:.4g} at {low}, "
                f"most {self.points[high]:.4g} at {high}")


def question_names(place: Path = PLACE) -> list[str]:
    """Names of all questions."""
    return sorted(file.parent.name for file in place.glob("*/question.yaml"))


def find_question(name: str, quick: bool, place: Path = PLACE) -> Asked:
    """A question by name; ``quick``: with its quick study, if it has one.

    Raises
    ------
    InputError, InputErrors : unknown name, errors in its files.
    """
    names = question_names(place)
    if not names:
        raise InputError("the ready questions are not installed",
                         "a clone of the project: they are in cases/questions", str(place))
    if name not in names:
        raise InputError(f"no question '{name}'", one_of(name, names))
    folder = place / name
    document = read_document(folder / "question.yaml")
    try:
        question = Question.model_validate(document.data)
    except ValidationError as error:
        raise InputErrors(
            InputError(fault["msg"], "see docs/questions.md", document.file,
                       key=dotted(tuple(fault["loc"]))) for fault in error.errors()) from None
    file = folder / ("quick.yaml" if quick and (folder / "quick.yaml").exists() else "study.yaml")
    return Asked(name, folder, question, read_study(file))


def answer_lines(asked: Asked, folder: Path) -> list[Line]:
    """The lines of the answer, from the tables in the study's folder; runs at the same place of
    the axis give their mean or their spread."""
    runs, steps = read_rows(folder / "runs.csv"), read_rows(folder / "steps.csv")
    by_run: dict[str, list[dict[str, str]]] = {}
    for row in steps:
        by_run.setdefault(row["run"], []).append(row)
    lines: dict[tuple[str, str], dict[str, list[float]]] = {}
    question = asked.question
    for quantity in question.quantities:
        for run in runs:
            value = _value(quantity, by_run.get(run["run"], []))
            points = lines.setdefault((quantity.label, run.get(question.series, "")), {})
            if value is not None:
                points.setdefault(run.get(question.along, ""), []).append(value)
    labels = {quantity.label: quantity for quantity in question.quantities}
    return [Line(labels[label], series, {key: _over(labels[label], values)
                                         for key, values in points.items()})
            for (label, series), points in lines.items()]


def _over(quantity: Quantity, values: list[float]) -> float:
    if quantity.over == "spread":
        return max(values) - min(values)
    return sum(values) / len(values)


def _value(quantity: Quantity, rows: list[dict[str, str]]) -> float | None:
    cells = [row.get(quantity.column, "") for row in rows[1:]]
    values = [float(cell) for cell in cells if cell not in ("", "nan")]
    if not values:
        return None
    return {"last": values[-1], "first": values[0], "largest": max(values),
            "smallest": min(values)}[quantity.of]
