"""`simkit export`: a stored run for other programs, or as a page with a 3-D view."""

from __future__ import annotations

from pathlib import Path

import click

from simkit.cli.answer import json_option, result
from simkit.cli.working import Finite, say
from simkit.errors import InputError
from simkit.export.net import open_net
from simkit.export.page import write_page
from simkit.export.series import write_series
from simkit.export.solids import FORMATS as SOLIDS
from simkit.export.solids import write_solid
from simkit.export.tables import write_csv, write_npz, write_parquet
from simkit.record.folder import take_folder
from simkit.record.read import read_run

NAMES = {"html": ("run.html",), "pvd": ("run.pvd",), "csv": ("steps.csv", "fields.csv"),
         "parquet": ("steps.parquet", "fields.parquet"), "npz": ("run.npz",)}
"""Files of a whole run that are written, by format."""
WHOLE = tuple(NAMES)


@click.command("export", epilog="""\b
Examples:
  simkit export runs/crown html          a page that turns, in one file
  simkit export runs/crown pvd           time series for ParaView
  simkit export runs/crown glb --step 3 --exaggerate 10
""")
@click.argument("folder", metavar="RUN", type=click.Path(path_type=Path))
@click.argument("kind", metavar="FORMAT", type=click.Choice([*WHOLE, *SOLIDS]))
@click.option("--out", type=click.Path(path_type=Path), metavar="DIR",
              help="Folder for the files; RUN/export if not given.")
@click.option("--step", type=int, metavar="N",
              help="STL, PLY, VTK, GLB: state to write; the last if not given.")
@click.option("--exaggerate", type=Finite(0.0, 1000.0), default=1.0, show_default=True,
              metavar="TIMES", help="STL, PLY, VTK, GLB: enlarge displacements.")
@json_option
def command(folder: Path, kind: str, out: Path | None, step: int | None,
            exaggerate: float) -> None:
    """Write RUN for other programs.

    FORMAT: html (a page with a 3-D view that needs no network), pvd (VTU files, a time series with
    all fields), csv, parquet, npz (tables and deviation fields), stl, ply, vtk, glb (the surface
    after one step; glTF with colours). Layouts: docs/exports.md.
    """
    record = read_run(folder)
    place = out or folder / "export"
    if kind in WHOLE and (step is not None or exaggerate != 1.0):
        raise InputError(f"--step and --exaggerate with {kind}", "they are for "
                         + ", ".join(SOLIDS))
    if place.exists() and folder.exists() and place.resolve() == folder.resolve():
        raise InputError("this is the folder of the run", "another folder for --out", str(place))
    number = 0 if kind in WHOLE else record.step_index(step)
    take_folder(place, NAMES.get(kind, (f"step-{number:04d}.{kind}",)))
    if kind == "csv":
        files = write_csv(record, place)
    elif kind == "parquet":
        files = write_parquet(record, place)
    elif kind == "npz":
        files = write_npz(record, place / "run.npz")
    elif kind == "pvd":
        files = write_series(open_net(record), place)
    elif kind == "html":
        files = write_page(open_net(record), place / "run.html")
    else:
        files = write_solid(open_net(record).state(number), place / f"step-{number:04d}.{kind}",
                            exaggerate)
    for file in files:
        say(f"written  {file}")
    result({"files": files})
