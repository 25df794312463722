"""An operation as text: "pull round-30 at 30,-15 to -2"."""

from __future__ import annotations

import re

from simkit.errors import InputError, one_of
from simkit.mechanics.standing import WAYS
from simkit.repair.operations import KINDS, Operation
from simkit.repair.passes import MOST_CHOSEN, Place, Spread, check_chosen

NUMBER = r"[-+]?(?:\d+\.?\d*|\.\d+)(?:e[-+]?\d+)?"
FORM = re.compile(
    rf"\s*(?P<kind>[a-z-]+)\s+(?P<tool>\S+)\s+at\s+(?P<x>{NUMBER})\s*,\s*(?P<y>{NUMBER})"
    r"(?P<rest>(?:\s.*)?)", re.IGNORECASE)
CLAUSE = re.compile(
    rf"\s+(?:(?P<word>to|by|with|deep|every|times|turn|springy|speed|drop)\s+(?P<value>{NUMBER})"
    rf"|over\s+(?P<length>{NUMBER})(?:\s*x\s*(?P<width>{NUMBER}))?"
    rf"|and\s+(?P<x>{NUMBER})\s*,\s*(?P<y>{NUMBER})\s+to\s+(?P<d>{NUMBER})"
    r"|(?P<sort>lifter|beam|spreader|hammer|glue)\s+(?P<name>[^\s,]+)"
    r"|(?P<flag>locked|everything-off|may-snap))(?=\s|$)", re.IGNORECASE)
EXPECTED = ('"KIND TOOL at X,Y to D turn DEG", such as "pull round-30 at 30,-15 to -2"; X, Y and '
            "D in mm, 'to' (0 if left out) is the deviation wanted once released; see "
            "docs/trying.md for by, with, deep, over, every, times, and, lifter, beam, "
            "spreader, hammer, glue")
LET_DOWN = re.compile(r"\s*let-?\s?down(?:\s+(?P<tool>\S.*?))?\s*", re.IGNORECASE)
SHORT = {"tap": "tap-down"}
LONGEST = 400 + 60 * MOST_CHOSEN
"""Largest number of characters of an operation."""


def read_operation(text: str) -> Operation:
    """Operation from its text: KIND TOOL at X,Y and clauses in any order; mm, N, mJ, degrees.

    ``to`` D: required deviation of the place after release, 0 (flush) if left out. ``by`` N: force
    of a hold, at any height; for others the largest force. ``with`` E: energy of a blow. ``deep``
    T: largest travel. ``over`` L or LxW ``every`` S ``times`` R: a pass of touches along a line or
    over an area about the place. ``and`` X,Y ``to`` D, several times: a pass at chosen places.
    ``turn`` DEG: direction of a long tool, a pass or a lifter's beam, from the x axis. ``lifter``
    NAME: lifter of the kit that pulls the tab. ``beam`` NAME, ``spreader`` NAME: of the kit, over a
    row of tabs or between two. ``hammer`` NAME with ``speed`` V (m/s) or ``drop`` H (mm): a blow by
    a hammer of the kit. ``glue`` NAME: another glue than the kit's. ``springy`` K, ``locked``: ways
    of a hold. "let-down" ends all holds, "let-down TOOL" one.

    Raises
    ------
    InputError : not of this form, or an unknown kind.
    """
    ends = LET_DOWN.fullmatch(text)
    if ends is not None:
        return Operation("let-down", ends["tool"] or "", 0.0, 0.0)
    found = FORM.fullmatch(text) if len(text) <= LONGEST else None
    if found is None:
        raise _unread(text)
    kind = found["kind"].lower()
    kind = SHORT.get(kind, kind)
    if kind not in KINDS:
        raise InputError(f"operation '{kind}'", one_of(kind, KINDS), key="--do")
    said, names, further = _clauses(found["rest"], text)
    check_chosen(further)
    if "by" in said and kind == "pull" and "to" not in said:
        raise InputError("'by' with a pull that says no height",
                         "'to' beside it, or a hold by that force and a let-down", key="--do")
    way = "springy" if "springy" in said else ("locked" if "locked" in said else WAYS[0])
    if way != WAYS[0] and kind != "hold":
        raise InputError(f"'{way}' with the operation '{kind}'", "only a hold is held so",
                         key="--do")
    return Operation(
        kind, found["tool"], float(found["x"]), float(found["y"]), said.get("to", 0.0),
        said.get("turn", 0.0), said.get("by"), way, said.get("springy", 0.0),
        "everything-off" in said, "may-snap" in said, said.get("with"), said.get("deep"),
        _spread(said), speed_m_s=said.get("speed"), drop_mm=said.get("drop"), further=further,
        **names)


def _clauses(rest: str, text: str
             ) -> tuple[dict[str, float], dict[str, str], tuple[Place, ...]]:
    """Clauses after the place: numbers by their word (1 for flags), names of rigs and glue, further
    touches."""
    said: dict[str, float] = {}
    names: dict[str, str] = {}
    further: list[Place] = []
    at = 0
    while rest[at:].strip():
        one = CLAUSE.match(rest, at)
        if one is None:
            raise _unread(text)
        more: dict[str, float]
        if one["d"] is not None:
            further.append((float(one["x"]), float(one["y"]), float(one["d"])))
            more = {}
        elif one["length"] is not None:
            more = {"over": float(one["length"]), "width": float(one["width"] or 0.0)}
        elif one["name"] is not None:
            word = one["sort"].lower()
            more = {word: 1.0}
            names.setdefault(word, one["name"])
        elif one["flag"] is not None:
            more = {one["flag"].lower(): 1.0}
        else:
            more = {one["word"].lower(): float(one["value"])}
        for word in more:
            if word in said:
                raise InputError(f"'{word}' twice in '{text.strip()}'", "once", key="--do")
        said |= more
        at = one.end()
    return said, names, tuple(further)


def _spread(said: dict[str, float]) -> Spread | None:
    """The pass given by the clauses, None without one."""
    if "over" not in said and "every" not in said and "times" not in said:
        return None
    if "over" not in said or "every" not in said:
        missing = "over" if "over" not in said else "every"
        raise InputError(f"a pass without '{missing}'",
                         "over LENGTH or LENGTHxWIDTH, every SPACING, in mm", key="--do")
    rounds = said.get("times", 1.0)
    if rounds != int(rounds):
        raise InputError(f"'times {rounds:g}'", "a whole number", key="--do")
    return Spread(said["over"], said["every"], said["width"], int(rounds))


def _unread(text: str) -> InputError:
    return InputError(f"cannot read the operation '{text.strip()[:LONGEST]}'", EXPECTED, key="--do")


def say_operation(operation: Operation) -> str:
    """The text of an operation, in the form that `read_operation` reads."""
    op = operation
    if op.kind == "let-down":
        return f"let-down {op.tool}".strip()
    words = [f"{op.kind} {op.tool} at {_n(op.x_mm)},{_n(op.y_mm)}"]
    if op.kind != "hold" or op.force_N is None:
        words.append(f"to {_n(op.goal_mm)}")
    for word, value in (("by", op.force_N), ("with", op.energy_mJ), ("deep", op.travel_mm)):
        if value is not None:
            words.append(f"{word} {_n(value)}")
    if op.spread is not None:
        width = f"x{_n(op.spread.width_mm)}" if op.spread.width_mm else ""
        words.append(f"over {_n(op.spread.length_mm)}{width} every {_n(op.spread.spacing_mm)}")
        if op.spread.rounds > 1:
            words.append(f"times {op.spread.rounds}")
    words += [f"and {_n(x)},{_n(y)} to {_n(d)}" for x, y, d in op.further]
    if op.angle_deg:
        words.append(f"turn {_n(op.angle_deg)}")
    words += [f"{sort} {getattr(op, sort)}"
              for sort in ("lifter", "beam", "spreader", "hammer", "glue") if getattr(op, sort)]
    words += [f"{word} {_n(value)}" for word, value in (("speed", op.speed_m_s),
                                                        ("drop", op.drop_mm)) if value is not None]
    if op.way == "springy":
        words.append(f"springy {_n(op.stiffness_N_per_mm)}")
    words += [flag for flag, on in (("locked", op.way == "locked"),
                                    ("everything-off", op.everything_off),
                                    ("may-snap", op.may_snap)) if on]
    return " ".join(words)


def _n(value: float) -> str:
    return f"{value:.12g}"
