"""Conversion of pydantic's validation errors to one line each, with a remedy."""

from __future__ import annotations

import math
import re
from typing import Any

from pydantic import ValidationError

from simkit.case.entries import Entry, entries, loc_of, span, untagged
from simkit.case.reading import Complaint, KeyPath, dotted
from simkit.errors import nearest, one_of

NUMBER_AT_START = re.compile(r"^[+-]?\d")
RANGE_FAULTS = {"greater_than_equal", "less_than_equal", "finite_number"}


def shown(value: Any) -> str:
    """A value as quoted in a message, never longer than a few words."""
    if isinstance(value, str):
        return f"'{value[:40]}...'" if len(value) > 43 else f"'{value}'"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, dict):
        return "a block"
    if isinstance(value, tuple):
        return f"a list of {len(value)}"
    text = f"{value!r}"
    return text if len(text) <= 43 else text[:40] + "..."


def complaints_of(error: ValidationError, above: tuple[str, ...] = ()) -> list[Complaint]:
    """All faults of a validation; a misspelled key is not reported again as a missing one.

    ``above``: keys of the case file above the block that was validated.
    """
    found: list[Complaint] = []
    missing: list[Complaint] = []
    meant: set[KeyPath] = set()
    for fault in _without_emptied(error.errors()):
        loc, value = (*above, *fault["loc"]), fault["input"]
        # A misspelled required key gives two faults, unknown and missing; report the first only.
        if fault["type"] == "extra_forbidden":
            complaint, guess = _unknown(loc)
            found.append(complaint)
            if guess is not None:
                meant.add((*complaint.path[:-1], guess))
        elif fault["type"] == "missing":
            expected = entries()[loc_of(loc)].expected
            missing.append(Complaint(untagged(loc), "key missing", f"expected {expected}"))
        else:
            # A similar file name, from simkit.case.files.
            near = str(fault.get("ctx", {}).get("near", ""))
            found.append(_wrong(fault["type"], loc, value, near))
    return found + [complaint for complaint in missing if complaint.path not in meant]


def _without_emptied(faults: list[Any]) -> list[Any]:
    """The faults without 'list too short' where the list has faulty items.

    Pydantic leaves faulty items out before it counts them.
    """
    return [fault for fault in faults if fault["type"] != "too_short" or not any(
        other is not fault and other["loc"][:len(fault["loc"])] == fault["loc"]
        for other in faults)]


def _unknown(loc: tuple[str | int, ...]) -> tuple[Complaint, str | None]:
    """Complaint about a key that does not exist, and the key that was meant, if known."""
    path, key = untagged(loc), str(loc[-1])
    parent = loc_of(loc[:-1])
    known = [entry.loc[-1] for entry in entries().values() if entry.loc[:-1] == parent]
    known = [name for name in known if not name.startswith(("<", "["))]
    guess = nearest(key, known)
    if guess is not None:
        return Complaint(path, "unknown key", f"did you mean '{guess}'?"), guess
    # Known elsewhere: the block is probably indented wrongly.
    homes = [entry.dotted for entry in entries().values() if entry.loc[-1] == key]
    if homes:
        return Complaint(path, "unknown key here", f"it belongs at '{homes[0]}'"), None
    return Complaint(path, "unknown key", "expected one of " + ", ".join(known)), None


def _wrong(fault: str, loc: tuple[str | int, ...], value: Any, near: str) -> Complaint:
    """Complaint about a value that does not fit its key."""
    path, entry = untagged(loc), entries()[loc_of(loc)]
    if fault.startswith("union_tag"):
        return _no_form(path, entry, value)
    if fault.startswith("file_"):
        return Complaint(path, *_file_fault(fault, value, near,
                                            "YAML" if "catalogues" in path else "CSV"))
    if fault in ("too_short", "string_too_short"):
        what = "empty list" if fault == "too_short" else "empty text"
        return Complaint(path, what, f"expected {entry.expected}")
    if fault in RANGE_FAULTS:
        return Complaint(path, f"{shown(value)} found", _range_remedy(entry, value))
    if fault == "literal_error" and isinstance(value, str) and entry.choices:
        return Complaint(path, f"{shown(value)} found", one_of(value, entry.choices))
    if path == ("format",):
        return Complaint(path, f"{shown(value)} found", "expected 1, the format of this version")
    remedy = f"expected {entry.expected}{_hint(entry, value)}"
    return Complaint(path, f"{shown(value)} found", remedy)


def _range_remedy(entry: Entry, value: Any) -> str:
    if entry.low is None or entry.high is None:
        return f"expected {entry.expected}"
    remedy = f"expected {span(entry.low, entry.high, entry.unit)}"
    # A positive number out of range is often in another unit, such as m in place of mm.
    plausible = isinstance(value, int | float) and math.isfinite(value) and value > 0
    return f"{remedy}; is the unit right?" if entry.unit and plausible else remedy


def _hint(entry: Entry, value: Any) -> str:
    """What to write instead, for the common ways of writing a number or a text wrongly."""
    wants_number = "number" in entry.expected
    if wants_number and isinstance(value, str) and NUMBER_AT_START.match(value):
        if "," in value:
            return "; write a decimal point, not a comma"
        return "; write the bare number without unit or quotes"
    if entry.expected == "text" and isinstance(value, bool | int | float):
        return "; put it in quotes"
    return ""


def _no_form(path: KeyPath, entry: Entry, value: Any) -> Complaint:
    """Complaint about an entry that matches none of its possible forms."""
    below = {loc: e for loc, e in entries().items() if loc[: len(entry.loc)] == entry.loc}
    for key in ("kind", "shape"):
        words = tuple(w for loc, e in below.items() if loc[-1] == key for w in e.choices)
        if not words or not isinstance(value, dict):
            continue
        if key not in value:
            return Complaint((*path, key), "key missing", "expected one of " + ", ".join(words))
        if isinstance(value[key], str):
            return Complaint((*path, key), f"{shown(value[key])} found",
                             one_of(value[key], words))
        return Complaint((*path, key), f"{shown(value[key])} found",
                         "expected one of " + ", ".join(words))
    return Complaint(path, f"{shown(value)} found", f"expected {entry.expected}")


def _file_fault(fault: str, value: Any, near: str, sort: str) -> tuple[str, str]:
    if fault == "file_missing" and near:
        return f"no file {shown(value)}", f"did you mean '{near}'?"
    if fault == "file_missing":
        return (f"no file {shown(value)}",
                f"expected a {sort} file, named from the case file's folder")
    if fault == "file_is_folder":
        return f"{shown(value)} is a folder", f"expected a {sort} file"
    if fault == "file_is_no_plain_file":
        return f"{shown(value)} is a pipe or device", "expected a CSV file"
    return f"{shown(value)} found", "expected a file name"


def unheard(found: list[Complaint], earlier: list[Complaint]) -> list[Complaint]:
    """Complaints about keys for which there is no earlier complaint."""
    said = {dotted(complaint.path) for complaint in earlier}
    return [complaint for complaint in found if dotted(complaint.path) not in said]
