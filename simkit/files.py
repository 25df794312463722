"""Files that are there whole or not at all: JSON, CSV tables, arrays."""

from __future__ import annotations

import csv
import io
import json
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np


def write_atomic(path: Path, data: bytes) -> None:
    """Write a file so that it is there whole or not at all, also after a kill."""
    path.parent.mkdir(parents=True, exist_ok=True)
    beside = path.with_name(f".{path.name}.{os.getpid()}.part")
    with open(beside, "wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    os.replace(beside, path)


def write_json(path: Path, data: Mapping[str, Any]) -> None:
    """Write a description."""
    write_atomic(path, (json.dumps(data, indent=2, sort_keys=True) + "\n").encode())


def write_table(path: Path, columns: tuple[str, ...], rows: Sequence[Mapping[str, str]]) -> None:
    """Write a CSV table."""
    text = io.StringIO()
    writer = csv.DictWriter(text, columns, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    write_atomic(path, text.getvalue().encode())


def write_arrays(path: Path, arrays: Mapping[str, Any]) -> None:
    """Write arrays as .npz."""
    data = io.BytesIO()
    np.savez(data, **arrays)
    write_atomic(path, data.getvalue())
