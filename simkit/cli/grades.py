"""`simkit grades`: the sheet grades with their key numbers and the sources of these."""

from __future__ import annotations

from collections import Counter
from importlib import import_module
from pathlib import Path
from typing import Any

import click

from simkit.case.panel import ReversedTest
from simkit.cli.answer import json_option, result
from simkit.cli.working import say
from simkit.errors import InputError
from simkit.material.grades import Grade, grade_names, load_grade
from simkit.material.tensile import tensile_test

HEAD = ("grade", "kind", "E GPa", "Rp0.2 MPa", "Rm MPa", "Ag %", "numbers", "sources")

LEGEND = """\
Rp0.2, Rm and Ag: tensile test of the grade as simkit computes it.
numbers: how many numbers are s seen in the source, t seen in a transcription of it, m from memory
and not looked up, e our own estimate. 'simkit grades NAME' shows each one."""

STATUS_LETTER = {"SEEN": "s", "SEEN secondary": "t", "MEMORY": "m", "ESTIMATE": "e"}


def overview() -> str:
    """Table of all grades, followed by the list of sources."""
    grades = [load_grade(name) for name in grade_names()]
    rows = [HEAD, *(_row(grade) for grade in grades)]
    widths = [max(len(row[column]) for row in rows) for column in range(len(HEAD))]
    lines = ["  ".join(_cell(text, width, column) for column, (text, width)
                       in enumerate(zip(row, widths, strict=True))).rstrip() for row in rows]
    sources = {number.source: number.source_text
               for grade in grades for number in grade.numbers.values()}
    wide = max(map(len, sources))
    cited = [f"  {key:<{wide}}  {text}" for key, text in sorted(sources.items())]
    return "\n".join([*lines, "", LEGEND, "", "sources:", *cited])


def _cell(text: str, width: int, column: int) -> str:
    # Columns 2 to 5 are numbers, aligned at the right.
    return f"{text:>{width}}" if 2 <= column <= 5 else f"{text:<{width}}"


def _row(grade: Grade) -> tuple[str, ...]:
    sheet = grade.sheet()
    test = tensile_test(sheet)
    count = Counter(STATUS_LETTER[number.status] for number in grade.numbers.values())
    sure = " ".join(f"{count[letter]}{letter}" for letter in STATUS_LETTER.values()
                    if count[letter])
    keys = dict.fromkeys(number.source for number in grade.numbers.values())
    kind = f"{grade.kind}, artificial" if grade.artificial else grade.kind
    return (grade.name, kind, f"{sheet.E_MPa / 1000:.1f}", f"{test.Rp02_MPa:.0f}",
            f"{test.Rm_MPa:.0f}", f"{100 * test.Ag:.1f}", sure, ", ".join(keys))


def detail(grade: Grade) -> str:
    """Every number of one grade with source, status and reason."""
    test = tensile_test(grade.sheet())
    result = (f"tensile test as computed: Rp0.2 {test.Rp02_MPa:.1f} MPa, Rm {test.Rm_MPa:.1f} "
              f"MPa, Ag {100 * test.Ag:.1f} %")
    note = [f"note: {grade.note}"] if grade.note else []
    made_up = ["artificial: made up for comparison, not a real grade"] if grade.artificial else []
    used = f"backstress {'used' if grade.backstress else 'not used'}; law {grade.law}"
    return "\n".join([
        f"{grade.name}: {grade.title} ({grade.kind})", *made_up, *note, result, used, "",
        "number = value [status] source, place in it; reason:",
        *("  " + number.line() for number in (*grade.numbers.values(), *grade.derived()))])


@click.command(epilog="""\b
Examples:
  simkit grades             all grades, one a line
  simkit grades DC04        every number of one grade with its source
  simkit grades DC04 --test strip.csv
                            hardening and backstress fitted to your own test
""")
@click.argument("name", required=False)
@click.option("--test", "readings", type=click.Path(path_type=Path), metavar="FILE",
              help="CSV file of your own test with reversed loading (columns strain, stress_MPa); "
                   "goes with NAME, which gives E.")
@click.option("--terms", type=click.IntRange(1, 2), default=1, show_default=True,
              help="Backstress terms to fit, with --test.")
@json_option
def command(name: str | None, readings: Path | None, terms: int) -> None:
    """List the sheet grades, or every number of the grade NAME.

    A case file names its grade under panel.grade. Each number has a source and a status, which
    says how reliable it is; a tensile test of your own sheet is better than any of them. The steel
    of a painted panel was formed and baked: use the grade for that state if there is one.
    """
    if readings is not None:
        _fit(name, readings, terms)
        return
    say(overview() if name is None else detail(load_grade(name)))
    shown = grade_names() if name is None else (name,)
    result({"grades": [_data(load_grade(one)) for one in shown]})


def _fit(name: str | None, readings: Path, terms: int) -> None:
    """Print the laws fitted to a test; ``name`` is the grade that gives E."""
    if name is None:
        raise InputError("--test without a grade", "simkit grades NAME --test FILE")
    fitted = import_module("simkit.repair.reversed_test")  # loads kernels: only with --test
    fit = fitted.fit_of(ReversedTest.model_construct(strip_csv=readings, terms=terms),
                        load_grade(name).sheet().E_MPa)
    law = fit.isotropic
    say("\n".join([
        f"{readings.name}, E {fit.E_MPa:g} MPa of {name}: {fit.says()}", "",
        "in a case (docs/hardening.md):", "panel:", f"  grade: {name}",
        f"  reversed_test: {{strip_csv: {readings.name}, terms: {terms}}}"]))
    result({"E_MPa": fit.E_MPa, "yield_MPa": law.yield_MPa, "saturation_MPa": law.saturation_MPa,
            "rate": law.rate, "rms_MPa": fit.rms_MPa, "readings": fit.readings,
            "plastic_strain": fit.largest_strain,
            "backstress": [{"modulus_MPa": term.modulus_MPa, "recovery": term.recovery}
                           for term in fit.backstress]})


def _data(grade: Grade) -> dict[str, Any]:
    test = tensile_test(grade.sheet())
    return {"name": grade.name, "title": grade.title, "kind": grade.kind,
            "artificial": grade.artificial, "Rp02_MPa": test.Rp02_MPa, "Rm_MPa": test.Rm_MPa,
            "Ag": test.Ag, "numbers": grade.numbers}
