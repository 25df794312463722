"""Common ground of all blocks of a case file: frozen, strict, no unknown keys."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, ConfigDict, Field

REQUIRED: Any = ...
"""Default of a key that must be given."""


class Part(BaseModel):
    """One block of a case file. Text is never taken for a number, nor NaN for a value."""

    model_config = ConfigDict(
        # strict: "1" is not taken for a number, nor 1 for a truth value;
        # forbid: a misspelled key must not be ignored
        frozen=True,
        extra="forbid",
        strict=True,
        allow_inf_nan=False,
        validate_default=False,
        str_strip_whitespace=True,
    )


def number(about: str, low: float, high: float, default: Any = REQUIRED) -> Any:
    """Field for a number within [low, high], in the unit its key ends in."""
    return Field(default, description=about, ge=low, le=high)


def text(about: str, default: Any = REQUIRED) -> Any:
    """Field for a text or name that may not be empty."""
    return Field(default, description=about, min_length=1)


def choice(about: str, default: Any = REQUIRED) -> Any:
    """Field for one of a few words, a switch or a block."""
    return Field(default, description=about)


def items(about: str, default: Any = REQUIRED, least: int = 1) -> Any:
    """Field for a list with at least `least` entries."""
    return Field(default, description=about, min_length=least)


def name_or_own(value: Any) -> str | None:
    """Tag of an entry that is a catalogue name or a block of its own."""
    if isinstance(value, str):
        return "<name>"
    return "<own>" if isinstance(value, dict | Part) else None


def word_or_block(value: Any) -> str | None:
    """Tag of an entry that is one word or a block with numbers."""
    if isinstance(value, str):
        return "<word>"
    return "<block>" if isinstance(value, dict | Part) else None


def word_or_list(value: Any) -> str | None:
    """Tag of an entry that is one word or a list of blocks."""
    if isinstance(value, str):
        return "<word>"
    return "<list>" if isinstance(value, tuple) else None


def by_kind(value: Any) -> str | None:
    """Tag of a block whose form is selected by its key `kind`."""
    kind = value.get("kind") if isinstance(value, dict) else getattr(value, "kind", None)
    return f"<{kind}>" if isinstance(kind, str) else None


def by_shape(value: Any) -> str | None:
    """Tag of a block whose form is selected by its key `shape`."""
    shape = value.get("shape") if isinstance(value, dict) else getattr(value, "shape", None)
    return f"<{shape}>" if isinstance(shape, str) else None
