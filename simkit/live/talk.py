"""What the page says and is told: messages checked, answers built."""

from __future__ import annotations

import json
import math
from dataclasses import asdict
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML

from simkit.errors import InputError
from simkit.inspection.spots import find_spots
from simkit.live.forecast import Forecaster
from simkit.live.shape import Shape
from simkit.live.workshop import Workshop

LONGEST_MESSAGE = 4096
MOST_SPOTS = 8
DEEDS = ("work", "undo", "redo", "fork", "switch", "forecast", "shape", "save", "lesson")
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


def word_of(message: dict[str, Any], key: str) -> str:
    """A text of a message."""
    value = message.get(key)
    if not isinstance(value, str) or not 0 < len(value) <= 200:
        raise InputError(f"'{key}' is no text", "1 to 200 letters", key=key)
    return value


def number_of(message: dict[str, Any], key: str) -> float:
    """A finite number of a message."""
    value = message.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise InputError(f"'{key}' is no number", "a finite number", key=key)
    return float(value)


def panel_words(shop: Workshop) -> dict[str, Any]:
    """The branch at work in words and numbers: rows, spots, tree."""
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
    """The same with numbers that do not exist as null, which JSON knows."""
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


def lessons(folder: Path = LESSONS) -> list[dict[str, Any]]:
    """The lessons that there are: title, steps with words, questions, operations and reveals.

    Raises
    ------
    InputError : a lesson that is not of this form.
    """
    found = []
    for file in sorted(folder.glob("*.yaml")):
        data = YAML(typ="safe", pure=True).load(file.read_text("utf-8"))
        steps = data.get("steps") if isinstance(data, dict) else None
        if not isinstance(steps, list) or not isinstance(data.get("title"), str):
            raise InputError("no lesson", "title and steps", str(file))
        for step in steps:
            if not isinstance(step, dict) or not isinstance(step.get("say"), str):
                raise InputError("a step without words", "say: text", str(file), key="steps")
        found.append({"name": file.stem, "title": data["title"], "about": data.get("about", ""),
                      "steps": steps})
    return found
