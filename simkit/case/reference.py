"""JSON schema and reference page of the case file, both made from the models."""

from __future__ import annotations

import inspect
import typing
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from simkit.case.entries import Entry, Loc, bare, entries, forms_of, selector_of, span
from simkit.case.model import Case

HEAD = """\
# The case file

<!-- Made from the models in simkit/case by `simkit check --reference`; do not edit by hand. -->

A case is one YAML 1.2 file, by custom `case.yaml` in a folder of its own beside its CSV files:
one panel, one dent, one kit of tools, and the strategies to compare. `simkit check CASE` reads
it and names every fault with file, line and key; `simkit check --schema` prints the JSON schema
for editors.

- The unit stands at the end of each key (`thickness_mm`); values are bare numbers.
- Keys that do not exist are refused, and the near one is suggested.
- Keys without a default must be given. A key without a value is refused: leave it out instead.
- x runs to the right, y upwards, z outward, seen from outside; the origin is the panel's centre.
- Deviations are measured along the outward normal: low is negative, high is positive.
- Anchors, aliases, tags and a second document in the file are refused.
- In messages and below, list items count from 0: `kit.tabs[0]` is the first tab.
- Ranges are what is plausible for outer panels of sheet metal; they catch slips of the unit.

The smallest case that can be compared:

```yaml
"""

EXAMPLE = """\
format: 1
title: One bowl on a flat panel
about: Invented for this page.
panel:
  length_x_mm: 500
  length_y_mm: 400
  thickness_mm: 0.75
  grade: DC04          # a name that 'simkit grades' lists
dent:
  shapes:
    - {kind: bowl, x_mm: 0, y_mm: 0, depth_mm: 2, length_mm: 60, width_mm: 60}
"""


def json_schema() -> dict[str, Any]:
    """JSON schema (draft 2020-12) of the case file."""
    schema = _without_null(Case.model_json_schema())
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}


def _without_null(node: Any) -> Any:
    """The schema without 'or null' (a case file has no empty values) and made-up titles."""
    if isinstance(node, list):
        return [_without_null(item) for item in node]
    if not isinstance(node, dict):
        return node
    kept = {key: _without_null(value) for key, value in node.items()
            if not (key == "title" and isinstance(value, str))
            and not (key == "default" and value is None)}
    options = kept.get("anyOf")
    # pydantic writes X | None as anyOf of X and null.
    if isinstance(options, list) and {"type": "null"} in options:
        rest = [option for option in options if option != {"type": "null"}]
        del kept["anyOf"]
        return {**rest[0], **kept} if len(rest) == 1 else {**kept, "anyOf": rest}
    return kept


def reference_page() -> str:
    """The reference page (Markdown), stored as docs/case-file.md."""
    parts = [HEAD + EXAMPLE + "```\n"]
    seen: set[type[BaseModel]] = set()
    for title, loc, model in _blocks(Case, (), "Top level"):
        if model not in seen:
            seen.add(model)
            parts.append(_section(title, loc, model))
    return "\n".join(parts)


def _blocks(model: type[BaseModel], loc: Loc, title: str) -> Iterator[
        tuple[str, Loc, type[BaseModel]]]:
    """Every block with its heading, depth first."""
    yield title, loc, model
    for name, info in model.model_fields.items():
        yield from _blocks_in(info.annotation, (*loc, name))


def _blocks_in(kind: Any, loc: Loc) -> Iterator[tuple[str, Loc, type[BaseModel]]]:
    kind = bare(kind)
    selector = selector_of(kind)
    for tag, form in forms_of(kind).items():
        if isinstance(form, type) and issubclass(form, BaseModel):
            case = f", {selector}: {tag[1:-1]}" if selector else " as a block"
            yield from _blocks(form, (*loc, tag), f"`{_dotted(loc)}`{case}")
        else:
            yield from _blocks_in(form, (*loc, tag))
    if typing.get_origin(kind) is tuple:
        yield from _blocks_in(typing.get_args(kind)[0], (*loc, "[]"))
    elif isinstance(kind, type) and issubclass(kind, BaseModel):
        yield from _blocks(kind, loc, f"`{_dotted(loc)}`")


def _dotted(loc: Loc) -> str:
    return Entry(loc, "").dotted


def _section(title: str, loc: Loc, model: type[BaseModel]) -> str:
    rows = ["| key | meaning | unit | default | allowed |", "|---|---|---|---|---|"]
    for name in model.model_fields:
        entry = entries()[(*loc, name)]
        cells = (f"`{name}`", entry.about, entry.unit, _default(entry), _allowed(entry))
        rows.append("| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |")
    about = inspect.cleandoc(model.__doc__ or "")
    return f"## {title}\n\n{about}\n\n" + "\n".join(rows) + "\n"


def _default(entry: Entry) -> str:
    """Default as it would be written in the file."""
    value = entry.default
    if entry.required:
        return "**required**"
    if value is None:
        return "absent"
    if isinstance(value, BaseModel):
        return "see below"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, tuple):
        return "[" + ", ".join(str(item) for item in value) + "]"
    return f"{value:.10g}" if isinstance(value, float) else str(value)


def _allowed(entry: Entry) -> str:
    if entry.low is not None and entry.high is not None:
        whole = "whole, " if "whole" in entry.expected else ""
        return whole + span(entry.low, entry.high, "")
    if entry.keys:
        return "block"
    return entry.expected


def write_reference(folder: Path) -> Path:
    """Write the reference page into a docs folder; returns the file written."""
    file = folder / "case-file.md"
    file.write_text(reference_page(), encoding="utf-8")
    return file
