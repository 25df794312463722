"""Comparisons of several cases in one folder, joined in one table."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from simkit import __version__
from simkit.files import write_table
from simkit.record.write import FORMAT_VERSION, open_folder
from simkit.study.gather import gather
from simkit.study.tables import columns_of

TABLE = "cases.csv"
LEFT_OUT = ("folder", "run", "status")


def open_several(folder: Path) -> None:
    """Make or open a folder of comparisons; each comparison locks its own folder in it.

    Raises
    ------
    InputError : the folder holds something else.
    """
    open_folder(folder, {"format": FORMAT_VERSION, "simkit": __version__, "kind": "comparisons"})


def join_cases(folder: Path, places: Mapping[str, Path]) -> tuple[Path, list[dict[str, str]]]:
    """Write cases.csv, one row for each case and strategy; returns the file and its rows.

    places : folder of each comparison by the short name of its case.
    """
    rows: list[dict[str, str]] = []
    for name, place in places.items():
        _, found = gather([place])
        rows += [{"case": name, "title": row["case"],
                  **{key: text for key, text in row.items() if key not in ("case", *LEFT_OUT)}}
                 for row in found]
    columns = columns_of(rows)
    full = [{column: row.get(column, "") for column in columns} for row in rows]
    write_table(folder / TABLE, columns, full)
    return folder / TABLE, full


def unlike_names(files: Sequence[Path]) -> list[str]:
    """Different names for the case files, as short as possible: the name of the case's folder, with
    more of its path in front if two names would be equal."""
    ways = [_way(file) for file in files]
    for length in range(1, 1 + max(len(way) for way in ways)):
        names = ["-".join(way[-length:]) for way in ways]
        if len(set(names)) == len(names):
            return names
    return [f"{name}-{number}" for number, name in enumerate(names, start=1)]


def _way(file: Path) -> tuple[str, ...]:
    whole = file.resolve()
    own = () if whole.name == "case.yaml" else (whole.stem,)
    return (*whole.parent.parts[1:], *own) or ("case",)
