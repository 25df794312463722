"""Checks of the arguments of public functions: errors name what was found and expected."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from simkit.errors import InputError

Array = NDArray[np.float64]


def number(name: str, value: Any, expected: str = "a finite number") -> float:
    """A finite number.

    Raises
    ------
    InputError : anything else.
    """
    found = _float(name, value, expected)
    if not np.isfinite(found):
        raise InputError(f"{name} {found:g}", expected, key=name)
    return found


def positive(name: str, value: Any, most: float = np.inf) -> float:
    """A finite number above zero and no larger than ``most``.

    Raises
    ------
    InputError : anything else.
    """
    expected = "a positive number"
    if np.isfinite(most):
        expected += f" of {most:g} at most"
    found = number(name, value, expected)
    if not 0.0 < found <= most:
        raise InputError(f"{name} {found:g}", expected, key=name)
    return found


def not_negative(name: str, value: Any) -> float:
    """A finite number, zero or more.

    Raises
    ------
    InputError : anything else.
    """
    expected = "zero or a positive number"
    found = number(name, value, expected)
    if found < 0.0:
        raise InputError(f"{name} {found:g}", expected, key=name)
    return found


def whole(name: str, value: Any, least: int, most: int | None = None) -> int:
    """A whole number from ``least`` to ``most``.

    Raises
    ------
    InputError : anything else.
    """
    expected = f"a whole number of {least} or more" if most is None else (
        f"a whole number from {least} to {most}")
    found = number(name, value, expected)
    if found != int(found) or found < least or (most is not None and found > most):
        raise InputError(f"{name} {found:g}", expected, key=name)
    return int(found)


def numbers(name: str, value: Any, shape: tuple[int | None, ...]) -> Array:
    """Finite numbers of a shape; None allows any length.

    Raises
    ------
    InputError : another shape, or numbers that are not finite.
    """
    wanted = " x ".join("any" if n is None else str(n) for n in shape) or "one"
    expected = f"finite numbers, {wanted}"
    try:
        found = np.asarray(value, dtype=float)
    except (TypeError, ValueError) as error:
        raise InputError(f"{name} holds no numbers", expected, key=name) from error
    if found.ndim != len(shape) or any(
            want is not None and have != want for have, want in zip(found.shape, shape,
                                                                    strict=True)):
        have = " x ".join(map(str, found.shape)) or "one"
        raise InputError(f"{name} holds {have} numbers", expected, key=name)
    if not np.all(np.isfinite(found)):
        raise InputError(f"{name} holds numbers that are not finite", expected, key=name)
    return found


def rising(name: str, value: Any) -> Array:
    """Two or more finite numbers, each larger than the one before.

    Raises
    ------
    InputError : anything else.
    """
    found = numbers(name, value, (None,))
    if found.size < 2 or np.any(np.diff(found) <= 0.0):
        raise InputError(f"{name} do not rise", "two or more numbers, each larger than the last",
                         key=name)
    return found


def direction(name: str, value: Any) -> Array:
    """A direction in space, made a unit vector (3,).

    Raises
    ------
    InputError : not three finite numbers, or all zero.
    """
    found = numbers(name, value, (3,))
    size = float(np.linalg.norm(found))
    if size == 0.0:
        raise InputError(f"{name} is no direction", "three numbers, not all zero", key=name)
    return found / size


def _float(name: str, value: Any, expected: str) -> float:
    # float(True) is 1.0, but a truth value in place of a number is a mistake.
    if isinstance(value, bool | np.bool_):
        raise InputError(f"{name} {value}", expected, key=name)
    try:
        return float(value)
    except (TypeError, ValueError) as error:
        raise InputError(f"{name} {value!r}", expected, key=name) from error
