"""Messages of the page: those received are checked, answers are built."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from dataclasses import asdict
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.error import YAMLError

from simkit.errors import InputError
from simkit.inspection.spots import find_spots
from simkit.intake import read_input
from simkit.live.forecast import Forecaster
from simkit.live.shape import Shape
from simkit.live.workshop import Workshop
from simkit.repair.operations import Operation
from simkit.repair.spoken import LONGEST, read_operation

LONGEST_MESSAGE = 4096
MOST_SPOTS = 8
LARGEST_LESSON = 200_000
"""Bytes of a lesson file."""
DEEDS = ("work", "undo", "redo", "fork", "switch", "forecast", "ahead", "shape", "save", "case",
         "readings", "counsel")
LESSONS = Path(__file__).with_name("lessons")


def read_message(text: str) -> dict[str, Any]:
    """A message of the page: an object with `do`, one of DEEDS.

    Raises
    ------
    InputError : anything else.
    """
    if len(text) > LONGEST_MESSAGE:
        raise InputError(f"a message of {len(text)} letters", f"at most {LONGEST_MESSAGE}")
    try:
        message = json.loads(text)
    except (ValueError, RecursionError):
        raise InputError("a message that is no JSON", "an object with the key do") from None
    if not isinstance(message, dict) or message.get("do") not in DEEDS:
        raise InputError("a message without a deed", "do: one of " + ", ".join(DEEDS))
    return message


def word_of(message: dict[str, Any], key: str, most: int = 200) -> str:
    """A text of a message."""
    value = message.get(key)
    if not isinstance(value, str) or not 0 < len(value) <= most:
        raise InputError(f"'{key}' is no text", f"1 to {most} letters", key=key)
    return value


def operation_of(message: dict[str, Any]) -> Operation:
    """The operation whose words a message brings."""
    return read_operation(word_of(message, "text", LONGEST))


def number_of(message: dict[str, Any], key: str) -> float:
    """A finite number of a message."""
    value = message.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise InputError(f"'{key}' is no number", "a finite number", key=key)
    return float(value)


def panel_words(shop: Workshop) -> dict[str, Any]:
    """The present branch as data for the page: rows, spots, tree."""
    session = shop.session
    spots = find_spots(session.now.field, session.work.case.goal.tolerance_mm)[:MOST_SPOTS]
    return {
        "type": "panel", "node": shop.here, "branch": shop.branch,
        "can_undo": shop.nodes[shop.here].parent >= 0, "can_redo": bool(shop.redo),
        "branches": {name: shop.path(name) for name in shop.branches},
        "steps": [{"node": node, "operation": shop.nodes[node].operation,
                   "row": clean(asdict(shop.nodes[node].session.now.row))}
                  for node in shop.path(shop.branch)],
        "held_N": session.now.row.held_N,
        "spots": [{"kind": spot.kind, "x_mm": spot.x_mm, "y_mm": spot.y_mm,
                   "height_mm": spot.height_mm} for spot in spots]}


def clean(data: dict[str, Any]) -> dict[str, Any]:
    """The same with NaN and infinite numbers as null, because JSON has none."""
    return {key: None if isinstance(value, float) and not math.isfinite(value) else value
            for key, value in data.items()}


def forecast(shop: Workshop, shape: Shape, made: dict[int, Forecaster],
             message: dict[str, Any]) -> dict[str, Any]:
    """Elastic forecast of an operation at a place: force, and deviations of the page's grid."""
    x, y, height = (number_of(message, key) for key in ("x_mm", "y_mm", "to_mm"))
    node = shop.here
    if node not in made:
        made.clear()  # one factorisation is kept: that of the state at work
        made[node] = Forecaster(shop.session.work.model, shop.session.state)
    seen = made[node].at(x, y, height)
    deviation = shape.deviation(seen.displacement)
    return {"type": "forecast", "force_N": seen.force_N, "low_mm": float(deviation.min()),
            "high_mm": float(deviation.max()), "x_mm": x, "y_mm": y}


def lessons(folder: Path = LESSONS, own: Iterable[Path] = ()) -> list[dict[str, Any]]:
    """Built-in lessons and those of the user: title, and steps with text, questions, operations and
    explanations; `panel` is the title of the case for which the operations are made.

    Raises
    ------
    InputError : a lesson that cannot be read or is not of this form.
    """
    return [_lesson(file) for file in (*sorted(folder.glob("*.yaml")), *own)]


STEP_KEYS = {"say": str, "question": str, "choices": list, "branch": str, "from_dent": bool,
             "do": list, "reveal": str}


def _lesson(file: Path) -> dict[str, Any]:
    try:
        text = read_input(file, LARGEST_LESSON, "a lesson").decode("utf-8")
        data = YAML(typ="safe", pure=True).load(text)
    except (YAMLError, RecursionError, ValueError) as error:
        raise InputError(f"no YAML ({str(error).splitlines()[0]})", "a lesson", str(file)) from None
    steps = data.get("steps") if isinstance(data, dict) else None
    if not isinstance(steps, list) or not steps or not isinstance(data.get("title"), str):
        raise InputError("no lesson", "title and steps", str(file))
    for number, step in enumerate(steps, 1):
        _check_step(step, f"steps[{number}]", str(file))
    return {"name": file.stem, "title": data["title"], "about": str(data.get("about", "")),
            "panel": str(data.get("panel", "")), "steps": steps}


def _check_step(step: Any, key: str, file: str) -> None:
    if not isinstance(step, dict) or not isinstance(step.get("say"), str):
        raise InputError("a step without words", "say: text", file, key=key)
    for name, value in step.items():
        if name not in STEP_KEYS:
            raise InputError(f"unknown key '{name}'", ", ".join(STEP_KEYS), file, key=key)
        if not isinstance(value, STEP_KEYS[name]):
            raise InputError(f"'{name}' is not a {STEP_KEYS[name].__name__}",
                             "see docs/live.md", file, key=key)
    for text in step.get("do", []):
        if not isinstance(text, str):
            raise InputError(f"operation {text!r}", "words in quotes", file, key=key)
        # Raises InputError now and not in the middle of the lesson.
        read_operation(text)
