"""`--json`: the result of a verb as one JSON object on standard output; progress on standard
error."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

import click
import numpy as np

from simkit.cli.lines import KEY, aside, wanted


def json_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the option --json: say() then writes to standard error, result() prints the object."""
    return click.option("--json", is_flag=True, expose_value=False, is_eager=True, callback=_note,
                        help="Answer with one JSON object; progress goes to standard error.",
                        )(command)


def _note(ctx: click.Context, param: click.Parameter, value: bool) -> None:
    ctx.meta[KEY] = bool(value)


def result(answer: Mapping[str, Any]) -> None:
    """Print the result if --json was given; NaN and infinite numbers become null."""
    if wanted():
        with aside():
            click.echo(json.dumps(plain(answer), indent=2, allow_nan=False))


def plain(value: Any) -> Any:
    """A value in types of JSON: paths and words as text, NaN as None, arrays as lists."""
    # Not asdict(): it copies arrays and does not convert what is inside them.
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple | set):
        return [plain(item) for item in value]
    if isinstance(value, np.ndarray | np.generic):
        return plain(value.tolist())
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if value is None or isinstance(value, bool | int | str):
        return value
    return str(value) if isinstance(value, Path) else plain(getattr(value, "value", str(value)))


def number_or_text(text: str) -> float | int | bool | str | None:
    """The value of a cell of one of our tables: number, truth value or text; None if empty."""
    word = text.strip()
    if word in ("yes", "no"):
        return word == "yes"
    # int first, so that a whole number stays one in JSON.
    for kind in (int, float):
        try:
            return kind(word)
        except ValueError:
            continue
    return word or None
