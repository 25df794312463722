"""Files named in a case file, taken from its folder."""

from __future__ import annotations

import itertools
from pathlib import Path
from typing import Annotated, Any

from pydantic import BeforeValidator, ValidationInfo
from pydantic_core import PydanticCustomError

from simkit.errors import nearest


def _existing_file(value: Any, info: ValidationInfo) -> Path:
    """Path of a file named in the case file, taken from the case file's folder."""
    if isinstance(value, Path):
        return value
    # A zero byte raises ValueError in system calls.
    if not isinstance(value, str) or not value.strip() or "\0" in value:
        raise PydanticCustomError("file_name", "not a file name")
    folder = (info.context or {}).get("folder", Path())
    path = Path(folder) / value
    try:
        if path.is_dir():
            raise PydanticCustomError("file_is_folder", "is a folder")
        if path.is_file():
            return path
        if path.exists():
            raise PydanticCustomError("file_is_no_plain_file", "is no plain file")
        # At most 1000 names are compared: a folder may hold very many files.
        beside = itertools.islice(path.parent.glob("*.*"), 1000) if path.parent.is_dir() else ()
        near = nearest(path.name, (file.name for file in beside))
    except OSError as error:
        raise PydanticCustomError("file_name", "not a file name") from error
    raise PydanticCustomError("file_missing", "no such file", {"near": near or ""})


CsvFile = Annotated[Path, BeforeValidator(_existing_file)]
TableFile = Annotated[Path, BeforeValidator(_existing_file)]
CodeFile = Annotated[Path, BeforeValidator(_existing_file)]
ScanFile = Annotated[Path, BeforeValidator(_existing_file)]
CatalogueFile = Annotated[Path, BeforeValidator(_existing_file)]
