"""Every key of the case file with its range, unit, default and choices, taken from the models.

Error messages and the reference page use this one list.
"""

from __future__ import annotations

import types
import typing
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Annotated, Any, Literal, Union

from annotated_types import Ge, Le
from pydantic import BaseModel, Tag
from pydantic.fields import FieldInfo

from simkit.case.model import Case
from simkit.units import unit_of_key

Loc = tuple[str, ...]


@dataclass(frozen=True)
class Entry:
    """One key of the case file.

    Attributes
    ----------
    loc : place in the models: keys, '[]' for any list item, '<tag>' for one of several forms.
    expected : what belongs there, in words, with range and unit.
    low, high : range of a number, if it has one.
    choices : words allowed, if it is a choice.
    keys : keys allowed below, if it is a block.
    """

    loc: Loc
    expected: str
    about: str = ""
    default: Any = None
    required: bool = False
    low: float | None = None
    high: float | None = None
    choices: tuple[str, ...] = ()
    keys: tuple[str, ...] = ()

    @property
    def dotted(self) -> str:
        """Key path as printed: kit.tabs[].name"""
        return ".".join(part for part in self.loc if not part.startswith("<")).replace(".[]", "[]")

    @property
    def unit(self) -> str:
        """Unit of the last key, or empty."""
        return unit_of_key(self.loc[-1]) if self.loc else ""


def loc_of(loc: tuple[str | int, ...]) -> Loc:
    """Place in the models of a place in a file: list indices become '[]'."""
    return tuple("[]" if isinstance(part, int) else part for part in loc)


def untagged(loc: tuple[str | int, ...]) -> tuple[str | int, ...]:
    """Key path in the file of a place in the models: tags of forms are removed."""
    return tuple(part for part in loc if isinstance(part, int) or not part.startswith("<"))


@cache
def entries() -> dict[Loc, Entry]:
    """All keys by their place, in the order of the models."""
    return {entry.loc: entry for entry in _of_model(Case, ())}


def _of_model(model: type[BaseModel], loc: Loc) -> Iterator[Entry]:
    for name, info in model.model_fields.items():
        yield from _of_field(info, (*loc, name))


def _of_field(info: FieldInfo, loc: Loc) -> Iterator[Entry]:
    kind = info.annotation
    # pydantic turns `ge` and `le` of a field into these annotations.
    low = next((m.ge for m in info.metadata if isinstance(m, Ge)), None)
    high = next((m.le for m in info.metadata if isinstance(m, Le)), None)
    default = info.default
    yield Entry(
        loc, _expected(kind, loc, low, high), info.description or "",
        None if info.is_required() else default, info.is_required(), _float(low), _float(high),
        _choices(kind), _keys(kind))
    yield from _below(kind, loc)


def _float(value: Any) -> float | None:
    return None if value is None else float(value)


def _below(kind: Any, loc: Loc) -> Iterator[Entry]:
    """Entries of list items, forms and blocks inside an entry."""
    kind = bare(kind)
    forms = forms_of(kind)
    for tag, form in forms.items():
        here = (*loc, tag)
        yield Entry(here, _expected(form, loc, None, None), choices=_choices(form),
                    keys=_keys(form))
        yield from _below(form, here)
    if typing.get_origin(kind) is tuple:
        item, here = typing.get_args(kind)[0], (*loc, "[]")
        yield Entry(here, _expected(item, here, None, None), choices=_choices(item),
                    keys=_keys(item))
        yield from _below(item, here)
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        yield from _of_model(kind, loc)


def bare(kind: Any) -> Any:
    """The type without Annotated and without 'or None'."""
    while True:
        origin, args = typing.get_origin(kind), typing.get_args(kind)
        # Optional[X] is a union with None; a file has no null, so only X counts.
        rest = [arg for arg in args if arg is not type(None)]
        if origin is Annotated:
            kind = args[0]
        elif origin in (Union, types.UnionType) and len(rest) == 1:
            kind = rest[0]
        else:
            return kind


def forms_of(kind: Any) -> dict[str, Any]:
    """Forms of a tagged union by tag; empty for anything else."""
    if typing.get_origin(kind) not in (Union, types.UnionType):
        return {}
    forms = {}
    for member in typing.get_args(kind):
        if member is type(None):
            continue
        tag = next(m.tag for m in typing.get_args(member)[1:] if isinstance(m, Tag))
        forms[tag] = typing.get_args(member)[0]
    return forms


def selector_of(kind: Any) -> str | None:
    """Key that selects the form, if all forms are blocks."""
    forms = list(forms_of(bare(kind)).values())
    if not forms or not all(_is_block(form) for form in forms):
        return None
    return next(key for key in ("kind", "shape") if key in forms[0].model_fields)


def _is_block(kind: Any) -> bool:
    return isinstance(kind, type) and issubclass(kind, BaseModel)


def _choices(kind: Any) -> tuple[str, ...]:
    """Words allowed: those of a choice, or the values of `kind` or `shape` of all forms."""
    kind = bare(kind)
    if typing.get_origin(kind) is Literal:
        return tuple(str(word) for word in typing.get_args(kind))
    return tuple(word for form in forms_of(kind).values() for word in _choices(form))


def _keys(kind: Any) -> tuple[str, ...]:
    kind = bare(kind)
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        return tuple(kind.model_fields)
    return ()


def _expected(kind: Any, loc: Loc, low: Any, high: Any) -> str:
    """What belongs at a place, in words."""
    kind = bare(kind)
    if kind in (float, int):
        sort = "a number" if kind is float else "a whole number"
        return f"{sort}, {span(low, high, unit_of_key(loc[-1]))}" if low is not None else sort
    simple = {str: "text", bool: "true or false", Path: "a file name"}
    if kind in simple:
        return simple[kind]
    if typing.get_origin(kind) is Literal:
        words = _choices(kind)
        return words[0] if len(words) == 1 else "one of " + ", ".join(words)
    if typing.get_origin(kind) is tuple:
        return "a list, each " + _expected(typing.get_args(kind)[0], loc, None, None)
    forms = forms_of(kind)
    selector = selector_of(kind)
    if selector is not None:
        return f"a block with '{selector}' one of " + ", ".join(tag[1:-1] for tag in forms)
    if forms:
        return " or ".join(_expected(form, loc, None, None) for form in forms.values())
    return "a block with the keys " + ", ".join(_keys(kind))


def span(low: float, high: float, unit: str) -> str:
    """Range in words: '0.3 to 4 mm'."""
    return f"{low:.10g} to {high:.10g} {unit}".rstrip()
