"""An operation as it is said: "pull round-30 at 30,-15 to -2"."""

from __future__ import annotations

import re

from simkit.errors import InputError, one_of
from simkit.repair.operations import KINDS, Operation

NUMBER = r"[-+]?(?:\d+\.?\d*|\.\d+)"
FORM = re.compile(
    rf"\s*(?P<kind>[a-z-]+)\s+(?P<tool>\S+)\s+at\s+(?P<x>{NUMBER})\s*,\s*(?P<y>{NUMBER})"
    rf"(?:\s+to\s+(?P<goal>{NUMBER}))?(?:\s+by\s+(?P<force>{NUMBER}))?"
    rf"(?:\s+turn\s+(?P<turn>{NUMBER}))?\s*", re.IGNORECASE)
EXPECTED = ('"KIND TOOL at X,Y to D turn DEG", such as "pull round-30 at 30,-15 to -2"; X, Y and '
            "D in mm, 'to' (0 if left out) is the deviation wanted once released")
LET_DOWN = re.compile(r"\s*let-?\s?down(?:\s+(?P<tool>\S+))?\s*", re.IGNORECASE)
SHORT = {"tap": "tap-down"}


def read_operation(text: str) -> Operation:
    """Operation from its words: KIND TOOL at X,Y [to D] [by N] [turn DEG]; mm, N, degrees.

    'to' is the deviation the place shall have once released, 0 (flush) if left out; 'by' the force
    of a hold, which then stays whatever the height; 'turn' the direction of a long tool in the
    plan, from the x axis. "let-down" ends all holds, "let-down TOOL" one.

    Raises
    ------
    InputError : not of this form, or an unknown kind.
    """
    ends = LET_DOWN.fullmatch(text)
    if ends is not None:
        return Operation("let-down", ends["tool"] or "", 0.0, 0.0)
    found = FORM.fullmatch(text)
    if found is None:
        raise InputError(f"cannot read the operation '{text.strip()}'", EXPECTED, key="--do")
    kind = found["kind"].lower()
    kind = SHORT.get(kind, kind)
    if kind not in KINDS:
        raise InputError(f"operation '{kind}'", one_of(kind, KINDS), key="--do")
    if found["force"] is not None and kind != "hold":
        raise InputError(f"'by' with the operation '{kind}'", "only a hold takes a force",
                         key="--do")
    x, y, goal, turn = (float(found[name] or 0.0) for name in ("x", "y", "goal", "turn"))
    force = None if found["force"] is None else float(found["force"])
    return Operation(kind, found["tool"], x, y, goal, turn, force)


def say_operation(operation: Operation) -> str:
    """The words that `read_operation` reads back."""
    if operation.kind == "let-down":
        return f"let-down {operation.tool}".strip()
    text = (f"{operation.kind} {operation.tool} at {operation.x_mm:g},{operation.y_mm:g} "
            + (f"to {operation.goal_mm:g}" if operation.force_N is None
               else f"by {operation.force_N:g}"))
    return text + (f" turn {operation.angle_deg:g}" if operation.angle_deg else "")
