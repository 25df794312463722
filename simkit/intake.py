"""Reading of the user's files: checked before they are read; errors name the file."""

from __future__ import annotations

from pathlib import Path

from simkit.errors import InputError
from simkit.files import Damaged, read_plain


def read_input(path: Path, most: int, expected: str) -> bytes:
    """Contents of a plain file of at most ``most`` bytes.

    Raises
    ------
    InputError : missing, a folder, a pipe or device, too large, or not readable.
    """
    try:
        if path.is_dir():
            raise InputError("cannot be read: a folder", expected, file=str(path))
        return read_plain(path, most)
    except FileNotFoundError:
        raise InputError("no such file", expected, file=str(path)) from None
    except Damaged as fault:
        raise InputError(str(fault), expected, file=str(path)) from None
    except OSError as error:
        reason = (error.strerror or type(error).__name__).lower()
        raise InputError(f"cannot be read ({reason})", expected, file=str(path)) from None
