"""Results of CalculiX: displacements and total forces in the .dat file, iterations in the .sta."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
HEAD = re.compile(r"^\s*(displacements|total force|forces) \((.+)\) for set (\S+) and time\s+(\S+)")


@dataclass(frozen=True)
class Block:
    """One printed table: quantity, set (upper case), total time, rows.

    ``rows`` (n, 4): node number, x, y, z values; a total force has one row with number 0.
    """

    quantity: str
    set_name: str
    time: float
    rows: Array


def read_dat(file: Path) -> list[Block]:
    """Every table of a .dat file, in order.

    Raises
    ------
    ValueError : a line without numbers where numbers are expected.
    """
    blocks: list[Block] = []
    head: tuple[str, str, float] | None = None
    rows: list[list[float]] = []
    for line in file.read_text().splitlines():
        found = HEAD.match(line)
        if found:
            _close(blocks, head, rows)
            head = (found[1], found[3].upper(), float(found[4]))
            rows = []
        elif line.strip() and head is not None:
            values = [float(word) for word in line.split()]
            # A total force is printed without a node number.
            rows.append(values if len(values) == 4 else [0.0, *values])
    _close(blocks, head, rows)
    return blocks


def _close(blocks: list[Block], head: tuple[str, str, float] | None,
           rows: list[list[float]]) -> None:
    if head is not None and rows:
        blocks.append(Block(*head, np.array(rows)))


def displacements(blocks: list[Block], name: str, time: float) -> dict[int, Array]:
    """Displacement (3,) mm by node number, of a set at the end of a step.

    Raises
    ------
    LookupError : the file has no such table.
    """
    for block in blocks:
        if (block.quantity == "displacements" and block.set_name == name.upper()
                and abs(block.time - time) < 1e-6):
            return {int(row[0]): row[1:] for row in block.rows}
    raise LookupError(f"no displacements of set {name} at time {time:g}")


def forces(blocks: list[Block], name: str) -> Array:
    """Total force over time, (n, 4): time, x, y, z, N."""
    return np.array([[block.time, *block.rows[0, 1:]] for block in blocks
                     if block.quantity.startswith("total") and block.set_name == name.upper()])


@dataclass(frozen=True)
class Counts:
    """Accepted and rejected increments of a run, all iterations, and the time reached."""

    increments: int
    dropped: int
    iterations: int
    time: float


def read_sta(file: Path) -> Counts:
    """Counts of a .sta file: columns step, increment, attempt, iterations, total time, ..."""
    increments = iterations = dropped = 0
    time = 0.0
    for line in file.read_text().splitlines():
        words = line.split()
        if len(words) < 6 or not words[0].isdigit():
            continue
        accepted = not words[2].endswith("U")  # CalculiX marks a rejected attempt with U
        iterations += int(words[3])
        if accepted:
            increments += 1
            time = float(words[4])
        else:
            dropped += 1
    return Counts(increments, dropped, iterations, time)
