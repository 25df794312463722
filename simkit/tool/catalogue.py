"""Tools and glues, by catalogue name or described in the case; users' own catalogues."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from ruamel.yaml import YAML

from simkit.case.complaints import complaints_of
from simkit.case.reading import Complaint, Document, dotted, read_document
from simkit.case.repair import Kit
from simkit.errors import InputError, InputErrors, one_of
from simkit.tool.bodies import RigidBody, ball, blade, block, flat_nose, rounded_cylinder
from simkit.tool.glue import Glue, Table, layer_stiffness
from simkit.tool.tabs import Tab

Spec = str | Mapping[str, Any]
SORTS = ("tabs", "tips", "glues")
STATUSES = ("SEEN", "SEEN secondary", "MEMORY", "ESTIMATE", "OWN")
"""Status of a number of a glue; OWN: given by a user without status and origin."""

TIP_MAKERS: dict[str, Callable[..., RigidBody]] = {
    "ball": ball, "rounded-cylinder": rounded_cylinder, "blade": blade, "flat-nose": flat_nose,
    "block": block,
}
"""Maker of the body by kind of tip; it takes the sizes of `simkit.case.tools` by name."""

STRENGTHS = ("tension_MPa", "shear_MPa", "tension_energy_N_per_mm", "shear_energy_N_per_mm")
STANDARD_GLUE = "standard-hot-melt"
"""Glue whose numbers replace those that a user's glue leaves out."""


@dataclass(frozen=True)
class Tip:
    """Tip of a push or tap-down tool: its name, kind and rigid body.

    ``facing_MPa_per_mm``: stiffness of a soft facing, pressure per millimetre of compression (its
    modulus over its thickness); None for a hard tip.
    """

    name: str
    kind: str
    body: RigidBody
    facing_MPa_per_mm: float | None = None


@dataclass(frozen=True)
class GlueNumber:
    """One number of a catalogue glue with its status (see STATUSES, or DERIVED) and origin."""

    name: str
    value: Any
    status: str
    origin: str


@dataclass(frozen=True)
class Catalogue:
    """Descriptions by name, as in the YAML files: tabs, tips, glues (numbers with status)."""

    tabs: Mapping[str, Mapping[str, Any]]
    tips: Mapping[str, Mapping[str, Any]]
    glues: Mapping[str, Mapping[str, Any]]

    def names(self, sort: str) -> tuple[str, ...]:
        """Names of a sort: `tabs`, `tips` or `glues`."""
        return tuple(getattr(self, sort))

    def with_file(self, path: Path) -> Catalogue:
        """This catalogue with the entries of a user's file added.

        Raises
        ------
        InputError, InputErrors : not a catalogue, a name that exists already, a bad description.
        """
        document = read_document(path)
        # Descriptions are checked only in a file whose form is right.
        wrong = [*document.complaints, *_strange(document, self)]
        if not wrong:
            more = replace(self, **{sort: {**getattr(self, sort), **document.data.get(sort, {})}
                                    for sort in SORTS})
            wrong = [fault for sort in SORTS for name in document.data.get(sort, {})
                     for fault in more.faults(sort, name)]
        if wrong:
            raise InputErrors(document.error(complaint) for complaint in wrong)
        return more

    def faults(self, sort: str, name: str) -> list[Complaint]:
        """Faults of an entry, with full key paths from the top of the catalogue."""
        try:
            FINDERS[sort](name, self)
        except InputErrors as errors:
            return [Complaint((sort, name, *([e.key] if e.key else [])), e.what, e.expected)
                    for e in errors.errors]
        except InputError as error:
            return [Complaint((sort, name, *([error.key] if error.key else [])), error.what,
                              error.expected)]
        return []


@cache
def builtin() -> Catalogue:
    """The catalogue that comes with simkit."""
    text = resources.files("simkit.tool").joinpath("catalogue.yaml").read_text("utf-8")
    data: dict[str, Any] = YAML(typ="safe", pure=True).load(text)
    return Catalogue(*(data[sort] for sort in SORTS))


def with_files(paths: Iterable[Path]) -> Catalogue:
    """The built-in catalogue and the users' files beside it."""
    found = builtin()
    for path in paths:
        found = found.with_file(path)
    return found


def tool_names(catalogue: Catalogue | None = None) -> dict[str, tuple[str, ...]]:
    """Names in the catalogue: `tabs`, `tips` and `glues`."""
    return {sort: (catalogue or builtin()).names(sort) for sort in SORTS}


def find_tab(spec: Spec, catalogue: Catalogue | None = None) -> Tab:
    """Tab by catalogue name, or described in place with the keys of a case file's kit.tabs.

    Raises
    ------
    InputError, InputErrors : unknown name or key, missing or impossible size.
    """
    part = _part("tabs", "tab", spec, catalogue)
    # A round tab has length = width = diameter.
    size = part.diameter_mm if part.kind == "round" else 0.0
    plate = [getattr(part, key, None) for key in ("thickness_mm", "modulus_MPa", "stem_mm")]
    return Tab(part.name, part.kind, size or part.length_mm, size or part.width_mm,
               getattr(part, "corner_mm", 0.0), *plate)


def find_tip(spec: Spec, catalogue: Catalogue | None = None) -> Tip:
    """Tip by catalogue name, or described in place with the keys of a case file's kit.tips.

    Raises
    ------
    InputError, InputErrors : unknown name or key, missing or impossible size.
    """
    part = _part("tips", "tip", spec, catalogue)
    sizes = part.model_dump(exclude={"name", "kind", "facing_mm", "facing_MPa"})
    thick, modulus = part.facing_mm, part.facing_MPa
    if (thick is None) != (modulus is None):
        key = "facing_MPa" if modulus is None else "facing_mm"
        raise InputError(f"tip '{part.name}': {key} missing",
                         "a soft facing has both, a hard tip neither", key=key)
    soft = None if thick is None else modulus / thick
    return Tip(part.name, part.kind, TIP_MAKERS[part.kind](**sizes), soft)


def find_glue(spec: Spec, catalogue: Catalogue | None = None) -> Glue:
    """Glue by catalogue name, or described in place with the keys of a case file's kit.glue.

    Absent numbers are those of the standard glue; its shear strength and energies are scaled by
    the ratio of the tension strengths.

    Raises
    ------
    InputError, InputErrors : unknown name or key, no tension, or a number out of range.
    """
    part = _part("glues", "glue", spec, catalogue)
    given = part.model_dump(exclude={"name", "readings", "by_temperature", "by_age"},
                            exclude_none=True)
    if part.readings:
        given = from_readings(part.name, part.readings, given)
    if "tension_MPa" not in given:
        raise InputError(f"glue '{part.name}' has no strength",
                         "tension_MPa, or readings with a pull", key="tension_MPa")
    raw = builtin().glues[STANDARD_GLUE]
    standard = {key: float(raw[key][0]) for key in (*STRENGTHS, "modulus_MPa", "layer_mm")}
    share = given["tension_MPa"] / standard["tension_MPa"]
    # Modulus and layer thickness are not scaled: they do not depend on the strength.
    v = {key: share * value if key in STRENGTHS else value for key, value in standard.items()}
    v |= given
    return Glue(
        part.name, v["tension_MPa"], v["shear_MPa"], v["tension_energy_N_per_mm"],
        v["shear_energy_N_per_mm"], v["modulus_MPa"], v["layer_mm"],
        _table(part.by_temperature or raw["by_temperature"][0]),
        _table(part.by_age or raw["by_age"][0]))


def from_readings(name: str, readings: Iterable[Any], given: dict[str, float]) -> dict[str, float]:
    """Strengths and energy from spring-scale readings.

    Pull and shear: force over area. Peel at a right angle: the fracture energy is force over width,
    that is G = F/b (1 - cos 90 degrees) of a strip that neither stretches nor yields (R. S. Rivlin,
    The effective work of adhesion, 1944; MEMORY, not looked up).

    Raises
    ------
    InputError : a number that is also given outright.
    """
    found: dict[str, list[float]] = {}
    for reading in readings:
        if reading.kind == "peel":
            found.setdefault("tension_energy_N_per_mm", []).append(
                reading.force_N / reading.width_mm)
        else:
            key = "tension_MPa" if reading.kind == "pull" else "shear_MPa"
            found.setdefault(key, []).append(
                reading.force_N / (0.25 * math.pi * reading.diameter_mm**2))
    for key in found:
        if key in given:
            raise InputError(f"glue '{name}': {key} beside readings of it", "one or the other",
                             key=key)
    return given | {key: sum(values) / len(values) for key, values in found.items()}


def _table(rows: Iterable[Any]) -> Table:
    """Rows of place and share, as models or as the YAML file holds them."""
    plain = [row if isinstance(row, dict) else row.model_dump() for row in rows]
    return tuple((float(next(iter(row.values()))), 0.01 * float(row["share_pct"])) for row in plain)


FINDERS: dict[str, Callable[[Spec, Catalogue | None], object]] = {
    "tabs": find_tab, "tips": find_tip, "glues": find_glue}


def glue_numbers(name: str, catalogue: Catalogue | None = None) -> tuple[GlueNumber, ...]:
    """Numbers of a catalogue glue with status and origin, the derived stiffnesses last."""
    glue = find_glue(name, catalogue)
    raw = (catalogue or builtin()).glues[name]
    declared = [GlueNumber(key, *_number(value)) for key, value in raw.items()
                if key != "readings"]
    normal, shear = layer_stiffness(glue.modulus_MPa, glue.layer_mm)
    derived = [
        GlueNumber("normal_stiffness_N_per_mm3", normal, "DERIVED",
                   "modulus / layer; a lower bound, a thin confined layer is stiffer"),
        GlueNumber("shear_stiffness_N_per_mm3", shear, "DERIVED", "modulus / (3 layer)")]
    return (*declared, *derived)


def _strange(document: Document, known: Catalogue) -> list[Complaint]:
    """Faults of a catalogue file: unknown sorts, repeated names, entries that are no blocks."""
    wrong = []
    for sort, entries in document.data.items():
        if sort not in SORTS:
            wrong.append(Complaint((sort,), "unknown key", one_of(sort, SORTS)))
        elif not isinstance(entries, dict):
            wrong.append(Complaint((sort,), "no block of names", "name: description, one each"))
        else:
            wrong += [Complaint((sort, name), "this name is in the catalogue already",
                                "choose another") for name in entries if name in
                      getattr(known, sort)]
            wrong += [Complaint((sort, name), f"{raw!r} found", "a block of keys")
                      for name, raw in entries.items() if not isinstance(raw, dict)]
    return wrong


def _part(sort: str, noun: str, spec: Spec, catalogue: Catalogue | None) -> Any:
    """The checked description of a tool: a model of `simkit.case.tools`."""
    if isinstance(spec, str):
        entries = getattr(catalogue or builtin(), sort)
        if spec not in entries:
            raise InputError(f"unknown {noun} '{spec}'", one_of(spec, entries), key=noun)
        raw = {"name": spec, **entries[spec]}
    elif isinstance(spec, Mapping):
        raw = {"name": f"own-{noun}", **spec}
    else:
        raise InputError(f"{noun} {spec!r}", f"a name or a block that describes a {noun}")
    if sort == "glues":
        raw = {key: _tuples(_number(value)[0]) for key, value in raw.items()}
    raw = {key: value for key, value in raw.items() if value is not None}
    key = "glue" if sort == "glues" else sort
    try:
        # The models of the case file, so that catalogues have the same ranges and messages.
        kit = Kit.model_validate({key: raw if sort == "glues" else (raw,)})
    except ValidationError as error:
        # Path of pydantic: kit, glue; or kit, tabs, index. The rest is the user's key.
        head = 2 if sort == "glues" else 3
        raise InputErrors(_fault(complaint, f"{noun} '{raw['name']}'", head)
                          for complaint in complaints_of(error, ("kit",))) from error
    return kit.glue if sort == "glues" else getattr(kit, sort)[0]


def _fault(complaint: Complaint, of_what: str, head: int) -> InputError:
    key = dotted(complaint.path[head:])
    return InputError(f"{of_what}: {complaint.what}", complaint.expected, key=key or None)


def _tuples(value: Any) -> Any:
    """Lists as tuples: the models are strict and accept only tuples."""
    return tuple(value) if isinstance(value, list) else value


def _number(raw: Any) -> tuple[Any, str, str]:
    """Value, status and origin of a number; a bare number has the status OWN."""
    # A list of blocks is a table, not [number, status, origin].
    if not isinstance(raw, tuple | list) or isinstance(raw[0], dict):
        return raw, "OWN", "a user's own number"
    if len(raw) != 3 or raw[1] not in STATUSES or not isinstance(raw[2], str):
        raise InputError(f"{raw!r} found",
                         "a number, or [number, status, origin] with the status one of "
                         + ", ".join(STATUSES))
    return raw[0], raw[1], raw[2]
