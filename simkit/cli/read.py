"""`simkit read`: describe the damage of a case or a scan."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from simkit.case.plan import plan_bounds
from simkit.checks.deeper import check_case
from simkit.cli.answer import json_option, result
from simkit.cli.working import Finite, say
from simkit.dent.field import DepthField
from simkit.errors import InputError
from simkit.history.given import field_of_state
from simkit.history.reconstruct import reconstruct
from simkit.inspection.damage import Surroundings, read_damage, write_reading
from simkit.inspection.damage.reading import yield_strain_of
from simkit.inspection.damage.store import as_data, write_scan
from simkit.inspection.damage.words import text_of
from simkit.measurement.read import read_dent
from simkit.record.folder import take_folder
from simkit.repair.workpiece import make_workpiece
from simkit.scan.orient import AXES, OUTSIDES
from simkit.scan.pipeline import Measured, ScanOptions, measure_scan
from simkit.scan.place import field_of_scan
from simkit.show.damage import draw_reading

SCAN_NOISE_MM = 0.02
CASES = (".yaml", ".yml", "")
OF_CASE = ("reading.json", "reading.csv", "reading.npz", "reading.png")
OF_SCAN = ("depth.csv", "panel.csv", "case.yaml", "scan.json", "scan.npz", "scan.png")
"""OF_CASE, OF_SCAN: files that a reading of a case or of a scan writes into its folder."""


@click.command("read", epilog="""\b
Examples:
  simkit read cases/first-dent --out reading
  simkit read scan.ply --unit mm --thickness 0.75 --out reading
  simkit read left.stl --unit mm --reference right.stl --mirrored
""")
@click.argument("source", metavar="CASE_OR_SCAN", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), metavar="DIR",
              help="Folder for reading.json, reading.csv and pictures; for a scan also its depth "
                   "field, panel surface and a case to start from.")
@click.option("--tolerance", type=Finite(0.005, 2.0), metavar="MM",
              help="Deviations below this size are not counted; if not given, the case's goal or "
                   "0.1 mm.")
@click.option("--unit", metavar="UNIT", help="Scan: mm, m or inch; must be given.")
@click.option("--outside", default="auto", show_default=True, metavar="SIDE",
              help="Scan: outer side; " + ", ".join(OUTSIDES) + ".")
@click.option("--along", metavar="AXIS", help="Scan: axis of the file along the panel's x, one of "
              + ", ".join(AXES) + "; the longer side if not given.")
@click.option("--reference", type=click.Path(path_type=Path), metavar="SCAN",
              help="Scan: second scan of the undamaged panel.")
@click.option("--reference-unit", metavar="UNIT", help="Its unit, if another one.")
@click.option("--mirrored", is_flag=True,
              help="The second scan is of the mirror-image panel of the car's other side.")
@click.option("--thickness", type=Finite(0.3, 4.0), metavar="MM",
              help="Scan: thickness of the sheet, for the strain estimate.")
@click.option("--grade", metavar="NAME", help="Scan: grade of the sheet, for its yield.")
@json_option
def command(source: Path, out: Path | None, tolerance: float | None, unit: str | None,
            outside: str, along: str | None, reference: Path | None, reference_unit: str | None,
            mirrored: bool, thickness: float | None, grade: str | None) -> None:
    """Read the damage of a case or a scan; only blows that a case gives are simulated.

    Prints lows and highs with their crowns, creases with their sharpest radius, kinks at an edge,
    areas that can be worked separately, the strain estimated from the shape, and where a push from
    behind reaches. Formats of scans: STL, PLY, OBJ, VTU, XYZ, CSV, NPY (VTP and VTK with the
    extra three-d). Exit code 0 if read, 2 for bad input.
    """
    options = ScanOptions(unit, outside, along, reference, reference_unit, mirrored)
    if source.is_dir() or source.suffix.lower() in CASES:
        _refuse_for_case(options, thickness, grade)
        title, depth, known, wanted = _case(source)
        measured = None
    else:
        measured, depth, known = _scan(source, options, thickness, grade)
        title, wanted = source.name, 0.1
    if out is not None:
        take_folder(out, OF_CASE if measured is None else OF_CASE + OF_SCAN)
    reading = read_damage(depth, known, tolerance or wanted)
    if measured is not None:
        for word, line in measured.quality.lines():
            say(f"{word:<11}{line}")
        say("")
    for line in text_of(reading):
        say(line)
    files: list[Path] = []
    if out is not None:
        files = write_reading(out, reading, title)
        if measured is not None:
            files += write_scan(out, measured, depth, title)
        say("")
        files += draw_reading(out)
        for file in files:
            say(f"written  {file}")
    result({"files": files, "reading": as_data(reading, title)})


def _case(source: Path) -> tuple[str, DepthField, Surroundings, float]:
    case = check_case(str(source))
    if case.dent is not None and case.dent.blows:
        _progress("carrying out the blows that the case gives")
        # The damage is not given but follows from the blows, so they are computed.
        work = make_workpiece(case)
        depth: DepthField | None = field_of_state(work, reconstruct(work).state)
    else:
        depth = read_dent(case.dent, plan_bounds(case.panel))
    if depth is None:
        raise InputError("no dent in the case", "a case with a block 'dent'", file=str(case.file))
    return case.title, depth, Surroundings.of_case(case), case.goal.limits[0]


def _scan(source: Path, options: ScanOptions, thickness: float | None, grade: str | None
          ) -> tuple[Measured, DepthField, Surroundings]:
    known = Surroundings(None, thickness, None if grade is None else yield_strain_of(grade))
    measured = measure_scan(source, options, _progress)
    return measured, field_of_scan(measured, None, SCAN_NOISE_MM), known


def _progress(text: str) -> None:
    """Progress on standard error, so that the output can be piped."""
    click.echo(f"... {text}", err=True)
    sys.stderr.flush()


def _refuse_for_case(options: ScanOptions, thickness: float | None, grade: str | None) -> None:
    given = [name for name, value in (
        ("--unit", options.unit), ("--along", options.along), ("--reference", options.reference),
        ("--mirrored", options.mirrored or None), ("--thickness", thickness), ("--grade", grade))
        if value is not None]
    if given:
        raise InputError(f"{given[0]} is for scans", "the keys of the case file: see dent.scan and "
                         "panel")
