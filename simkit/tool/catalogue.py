"""Tools and glues by name, or described in place; minutes an operation takes."""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.error import YAMLError

from simkit.errors import InputError
from simkit.tool.bodies import RigidBody, ball, blade, block, flat_nose, rounded_cylinder
from simkit.tool.glue import Glue, layer_stiffness
from simkit.tool.tabs import Tab, round_tab

Spec = str | Mapping[str, Any]

TIP_KINDS: dict[str, tuple[Callable[..., RigidBody], tuple[str, ...]]] = {
    "ball": (ball, ("radius_mm",)),
    "rounded-cylinder": (rounded_cylinder, ("radius_mm", "length_mm")),
    "blade": (blade, ("edge_radius_mm", "length_mm")),
    "flat-nose": (flat_nose, ("radius_mm", "nose_mm")),
    "block": (block, ("length_mm", "width_mm", "nose_mm")),
}
"""Maker of the body and the sizes it takes, by kind of tip."""

STANDARD_GLUE = "standard-hot-melt"
"""Glue whose numbers stand in for those an own glue leaves out."""

GLUE_KEYS = ("tension_MPa", "peel_MPa", "shear_MPa", "modulus_MPa", "layer_mm", "coldest_C",
             "reference_C", "halves_at_C", "warmest_C")
STIFFNESS_KEYS = ("tension_stiffness_N_per_mm3", "shear_stiffness_N_per_mm3")


@dataclass(frozen=True)
class Tip:
    """Tip of a push or tap-down tool: its name, kind and rigid body."""

    name: str
    kind: str
    body: RigidBody


@dataclass(frozen=True)
class GlueNumber:
    """One number of a catalogue glue with its status (MEMORY, ESTIMATE, DERIVED) and origin."""

    name: str
    value: float
    status: str
    origin: str


def tool_names() -> dict[str, tuple[str, ...]]:
    """Names in the catalogue: `tabs`, `tips` and `glues`."""
    return {sort: tuple(_file("catalogue.yaml")[sort]) for sort in ("tabs", "tips", "glues")}


def find_tab(spec: Spec) -> Tab:
    """Tab by catalogue name, or from a mapping.

    Keys: `name`, `kind` (round unless given), `diameter_mm` for round, `length_mm` and `width_mm`
    for oval and strip, and if it matters `thickness_mm`, `stiffness_N_per_mm` (absent: rigid).

    Raises
    ------
    InputError : unknown name or key, missing or impossible size.
    """
    name, raw = _entry("tabs", "tab", spec)
    kind = _word(raw.pop("kind", "round"), ("round", "oval", "strip"), "tab kind")
    sizes = ("diameter_mm",) if kind == "round" else ("length_mm", "width_mm")
    values = _numbers(raw, f"tab '{name}'", sizes, ("thickness_mm", "stiffness_N_per_mm"))
    extra = values.get("thickness_mm"), values.get("stiffness_N_per_mm")
    if kind == "round":
        return round_tab(name, values["diameter_mm"], *extra)
    return Tab(name, "oval" if kind == "oval" else "strip", values["length_mm"],
               values["width_mm"], *extra)


def find_tip(spec: Spec) -> Tip:
    """Tip by catalogue name, or from a mapping: `name`, `kind` (ball unless given), its sizes.

    Sizes: ball `radius_mm`; rounded-cylinder `radius_mm`, `length_mm`; blade `edge_radius_mm`,
    `length_mm`; flat-nose `radius_mm`, `nose_mm`; block `length_mm`, `width_mm`, `nose_mm`.

    Raises
    ------
    InputError : unknown name or key, missing or impossible size.
    """
    name, raw = _entry("tips", "tip", spec)
    kind = _word(raw.pop("kind", "ball"), TIP_KINDS, "tip kind")
    make, sizes = TIP_KINDS[kind]
    return Tip(name, kind, make(**_numbers(raw, f"tip '{name}'", sizes)))


def find_glue(spec: Spec) -> Glue:
    """Glue by catalogue name, or from a mapping with at least `tension_MPa`.

    Other keys: those of GLUE_KEYS and STIFFNESS_KEYS. What is absent is that of the standard glue;
    `peel_MPa` then keeps the standard's proportion to the tension, and the stiffnesses follow
    from modulus and layer unless given.

    Raises
    ------
    InputError : unknown name or key, no tension, or a value that is not positive.
    """
    name, raw = _entry("glues", "glue", spec)
    if isinstance(spec, str):
        given = {key: float(number[0]) for key, number in raw.items()}
    else:
        given = _numbers(raw, f"glue '{name}'", ("tension_MPa",),
                         (*GLUE_KEYS[1:], *STIFFNESS_KEYS))
    standard = {key: float(number[0])
                for key, number in _file("catalogue.yaml")["glues"][STANDARD_GLUE].items()}
    peel = given["tension_MPa"] * standard["peel_MPa"] / standard["tension_MPa"]
    v = standard | {"peel_MPa": peel} | given
    normal, shear = layer_stiffness(v["modulus_MPa"], v["layer_mm"])
    return Glue(name, v["tension_MPa"], v["peel_MPa"], v["shear_MPa"],
                v.get(STIFFNESS_KEYS[0], normal), v.get(STIFFNESS_KEYS[1], shear), v["layer_mm"],
                v["coldest_C"], v["warmest_C"], v["reference_C"], v["halves_at_C"])


def glue_numbers(name: str) -> tuple[GlueNumber, ...]:
    """Numbers of a catalogue glue with status and origin, the derived stiffnesses last."""
    _, raw = _entry("glues", "glue", name)
    declared = [GlueNumber(key, float(value), status, origin)
                for key, (value, status, origin) in raw.items()]
    glue = find_glue(name)
    derived = [
        GlueNumber("normal_stiffness_N_per_mm3", glue.normal_stiffness_N_per_mm3, "DERIVED",
                   "modulus / layer; a lower bound, a thin confined layer is stiffer"),
        GlueNumber("shear_stiffness_N_per_mm3", glue.shear_stiffness_N_per_mm3, "DERIVED",
                   "modulus / (3 layer)")]
    return (*declared, *derived)


def load_times(path: str | Path | None = None) -> dict[str, float]:
    """Minutes by operation (pull, tap_down, push) and for `tool_change`.

    Parameters
    ----------
    path : the user's own copy of the table (YAML with `minutes`); None for the one that comes
        with simkit. Operations it leaves out keep the minutes that come with simkit.

    Raises
    ------
    InputError : no such file, an unknown operation, or minutes that are not positive numbers.
    """
    usual = {key: float(value) for key, value in _file("times.yaml")["minutes"].items()}
    if path is None:
        return usual
    where = str(path)
    try:
        data = YAML(typ="safe", pure=True).load(Path(path).read_text("utf-8"))
    except (OSError, UnicodeDecodeError, YAMLError) as trouble:
        raise InputError("cannot read the table of minutes: " + str(trouble).splitlines()[0],
                         "a YAML file with 'minutes'", where) from trouble
    own = data.get("minutes") if isinstance(data, dict) else None
    if not isinstance(own, dict):
        raise InputError("no 'minutes' in the table", "operation: minutes, one a line", where)
    try:
        return usual | _numbers(own, "minutes", (), tuple(usual))
    except InputError as trouble:
        raise InputError(trouble.what, trouble.expected, where, key=trouble.key) from trouble


def operation_minutes(operation: str, tool_change: bool = False,
                      times: Mapping[str, float] | None = None) -> float:
    """Minutes of one operation, with a change of tool before it if there is one.

    `times` as from `load_times`; None for the table that comes with simkit.
    """
    table = load_times() if times is None else times
    known = [name for name in table if name != "tool_change"]
    _word(operation, known, "operation")
    return table[operation] + (table["tool_change"] if tool_change else 0.0)


@cache
def _file(name: str) -> dict[str, Any]:
    text = resources.files("simkit.tool").joinpath(name).read_text("utf-8")
    data: dict[str, Any] = YAML(typ="safe", pure=True).load(text)
    return data


def _entry(sort: str, noun: str, spec: Spec) -> tuple[str, dict[str, Any]]:
    """Name and raw keys of a catalogue entry or of an own description, as a fresh dictionary."""
    if isinstance(spec, str):
        entries = _file("catalogue.yaml")[sort]
        return spec, dict(entries[_word(spec, entries, noun)])
    if not isinstance(spec, Mapping):
        raise InputError(f"{noun} {spec!r}", f"a name or a block that describes a {noun}")
    raw = dict(spec)
    name = raw.pop("name", f"own-{noun}")
    if not isinstance(name, str) or not name:
        raise InputError(f"{noun} name {name!r}", "text", key="name")
    return name, raw


def _word(word: Any, known: Collection[str], noun: str) -> str:
    """The word, if it is known; else an error that offers the near one."""
    if isinstance(word, str) and word in known:
        return word
    raise InputError(f"unknown {noun} '{word}'", _near(str(word), known), key=noun.split()[-1])


def _near(word: str, known: Iterable[str]) -> str:
    listed = list(known)
    near = difflib.get_close_matches(word, listed, 1, 0.5)
    return f"did you mean '{near[0]}'?" if near else "known: " + ", ".join(listed)


def _numbers(raw: Mapping[Any, Any], of_what: str, required: tuple[str, ...],
             optional: tuple[str, ...] = ()) -> dict[str, float]:
    """Numbers by key: all required, no unknown key, positive (temperatures only finite)."""
    known = (*required, *optional)
    found = {}
    for key, value in raw.items():
        if key not in known:
            raise InputError(f"{of_what}: unknown key '{key}'", _near(str(key), known),
                             key=str(key))
        if value is None and key in optional:
            continue
        number = isinstance(value, int | float) and not isinstance(value, bool)
        low = -math.inf if key.endswith("_C") else 0.0
        if not number or not low < value < math.inf:
            raise InputError(f"{of_what}: {key} is {value!r}",
                             "a number" if key.endswith("_C") else "a positive number", key=key)
        found[key] = float(value)
    for key in required:
        if key not in found:
            raise InputError(f"{of_what}: {key} is missing", "a positive number", key=key)
    return found
