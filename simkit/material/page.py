"""The page of sheet grades, docs/grades.md, written from the grade data.

`python -m simkit.material.page > docs/grades.md` writes the page anew.
"""

from __future__ import annotations

from simkit.material.grades import Grade, Number, grade_names, load_grade
from simkit.material.hardening import Backstress
from simkit.material.recipes import RECIPES, backstress_terms
from simkit.material.tensile import tensile_test

INTRO = """# Sheet grades

Written from the grade data by `python -m simkit.material.page`; do not edit by hand.

Status of a number: **SEEN** read in the named public text; **SEEN secondary** read in a
transcription of it; **MEMORY** remembered, not looked up, so check it before relying on it;
**ESTIMATE** our own choice, with the reason; **DERIVED** computed from the other numbers of the
grade.

Laws give true stress in MPa against equivalent plastic strain p: Swift s = K (e0 + p)^n, Voce
s = sat - (sat - y0) exp(-rate p). A backstress term (Armstrong-Frederick) makes reversed loading
yield early: dX = 2/3 C dep - gamma X dp, saturating at C/gamma in tension. Where a grade uses
backstress, its isotropic part is reduced so that monotonic tension stays the measured curve;
`load_grade(name, backstress=False)` gives the same grade without backstress. For most grades no
backstress parameters were found in public texts. Theirs are ESTIMATES, and results under load
reversal depend on them.

Only a grade with yields and r-values along several directions has planar anisotropy
([rolling direction](rolling.md)). No grade depends on strain rate.
"""


def grades_page() -> str:
    """The page as Markdown text, ending in a newline."""
    grades = [load_grade(name) for name in grade_names()]
    parts = [INTRO, "## Overview\n", _overview(grades)]
    parts += [_section(grade) for grade in grades]
    return "\n".join(parts).rstrip() + "\n"


def _overview(grades: list[Grade]) -> str:
    head = ["| grade | kind | E (MPa) | Rp0.2 (MPa) | Rm (MPa) | Ag (%) | C/gamma (MPa) |",
            "|---|---|---|---|---|---|---|"]
    rows = []
    for grade in grades:
        sheet = grade.sheet()
        test = tensile_test(sheet)
        back = " + ".join(f"{term.saturation_MPa:.0f}" for term in sheet.backstress) or "none"
        rows.append(f"| {grade.name} | {grade.kind} | {sheet.E_MPa:.0f} | {test.Rp02_MPa:.0f} | "
                    f"{test.Rm_MPa:.0f} | {100 * test.Ag:.1f} | {back} |")
    below = ("\nRp0.2, Rm and Ag are what a tensile test of the law gives; C/gamma is where its "
             "backstress saturates.\n")
    return "\n".join([*head, *rows]) + "\n" + below


def _section(grade: Grade) -> str:
    lines = [f"## {grade.name}", "", f"{grade.title}."]
    if grade.artificial:
        lines[-1] += " **Artificial.**"
    if grade.note:
        lines.append(grade.note)
    says = RECIPES[grade.law].says
    lines += ["", f"Law: {says or 'the numbers are the parameters of the law'}.",
              _backstress_line(grade), "",
              "| number | value | unit | status | source, place |", "|---|---|---|---|---|"]
    lines += [_row(number) for number in (*grade.numbers.values(), *grade.derived())]
    return "\n".join(lines) + "\n"


def _backstress_line(grade: Grade) -> str:
    terms = backstress_terms(grade.law, grade.values)
    if not terms:
        return "Backstress: none."
    used = "used" if grade.backstress else "not used unless asked for"
    return f"Backstress: {'; '.join(_term(term) for term in terms)}; {used}."


def _term(term: Backstress) -> str:
    return f"C = {term.modulus_MPa:.5g} MPa, gamma = {term.recovery:.4g}"


def _row(number: Number) -> str:
    unit = "" if number.unit == "1" else number.unit
    origin = f"{number.source_text}: {number.place}"
    why = f"; {number.why}" if number.why else ""
    return f"| {number.name} | {number.value:.6g} | {unit} | {number.status} | {origin}{why} |"


if __name__ == "__main__":
    print(grades_page(), end="")
