"""The page of tools, docs/tools.md, written from the catalogue.

`python -m simkit.tool.page > docs/tools.md` brings it up to date.
"""

from __future__ import annotations

from simkit.tool.catalogue import (
    find_glue,
    find_tab,
    find_tip,
    glue_numbers,
    tool_names,
)
from simkit.tool.cautions import CAUTIONS
from simkit.tool.tabs import Tab
from simkit.tool.times import load_times
from simkit.units import unit_of_key

INTRO = """# Tools

Written from the catalogue by `python -m simkit.tool.page`; do not edit by hand.

Sizes of tabs and tips and the minutes of operations are common practice, no source. Numbers of
glues carry a status: **MEMORY** remembered, not looked up; **ESTIMATE** our own choice;
**DERIVED** computed. Glues differ widely: measure your own with a spring scale
([glue.md](glue.md)) and put the numbers into the case file, or into a catalogue of your own.
`simkit tools` lists all of it and draws tabs and tips to scale (`--draw FILE.png`).

## A catalogue of your own

A YAML file with `tabs`, `tips` and `glues`: a name, then the keys of
[kit.tabs, kit.tips and kit.glue](case-file.md) without `name`. A number of a glue may stand alone
or as `[number, status, origin]`. Name the file in the case under `kit.catalogues`; its names then
stand beside the built-in ones and may not repeat them (`simkit tools --catalogue FILE` shows them).

```yaml
tabs:
  shop-27: {kind: round, diameter_mm: 27}
tips:
  nylon-10: {kind: flat-nose, radius_mm: 10, nose_mm: 2}
glues:
  blue-stick:
    tension_MPa: [1.6, OWN, "five pulls of a 10 mm tab"]
    tension_energy_N_per_mm: 1.4
```
"""


def tools_page() -> str:
    """The page as Markdown text, ending in a newline."""
    names = tool_names()
    parts = [INTRO, _tabs(names["tabs"]), _tips(names["tips"])]
    parts += ["## Glues\n", *[_glue(name) for name in names["glues"]]]
    parts += [_times(), _cautions()]
    return "\n".join(parts).rstrip() + "\n"


def _size(tab: Tab) -> str:
    if tab.kind == "round":
        return f"{tab.length_mm:g}"
    return f"{tab.length_mm:g} x {tab.width_mm:g}"


def _tabs(names: tuple[str, ...]) -> str:
    glues = tool_names()["glues"]
    lines = ["## Tabs", "",
             "Plates bend; those without thickness are rigid. The last columns are area times "
             "strength: an upper bound of what a glue carries ([glue.md](glue.md)).",
             "",
             "| tab | kind | size (mm) | plate (mm) | area (mm^2) | "
             + " | ".join(f"{glue} (N)" for glue in glues) + " |",
             "|---" * (5 + len(glues)) + "|"]
    for name in names:
        tab = find_tab(name)
        holds = " | ".join(f"{find_glue(glue).holds_N(tab.area_mm2):.0f}" for glue in glues)
        lines.append(f"| {name} | {tab.kind} | {_size(tab)} | "
                     f"{tab.thickness_mm or 'rigid'} | {tab.area_mm2:.0f} | {holds} |")
    return "\n".join(lines) + "\n"


def _tips(names: tuple[str, ...]) -> str:
    lines = ["## Tips", "",
             "A tip is a flat core covered by a nose radius; sizes in mm. A soft facing yields by "
             "its modulus over its thickness ([lifters.md](lifters.md)).", "",
             "| tip | kind | nose radius | core | half length | half width | core radius "
             "| facing (MPa/mm) |",
             "|---|---|---|---|---|---|---|---|"]
    for name in names:
        tip = find_tip(name)
        body = tip.body
        sizes = [f"{size:g}" if size else "" for size in
                 (body.half_length_mm, body.half_width_mm, body.core_radius_mm)]
        lines.append(f"| {name} | {tip.kind} | {body.nose_radius_mm:g} | {body.core} | "
                     + " | ".join(sizes) + f" | {tip.facing_MPa_per_mm or 'hard'} |")
    return "\n".join(lines) + "\n"


def _glue(name: str) -> str:
    lines = [f"### {name}", "", "| number | value | unit | status | origin |",
             "|---|---|---|---|---|"]
    lines += [f"| {number.name} | {_value(number.value)} | {unit_of_key(number.name)} | "
              f"{number.status} | {number.origin} |" for number in glue_numbers(name)]
    return "\n".join(lines) + "\n"


def _value(value: object) -> str:
    """A number, or the rows of a table as place: share."""
    if isinstance(value, float | int):
        return f"{value:.4g}"
    assert isinstance(value, list)
    return ", ".join(": ".join(f"{part:g}" for part in row.values()) for row in value)


def _times() -> str:
    lines = ["## Minutes", "", "Common practice, no source; give your own table to simkit.", "",
             "| operation | minutes |", "|---|---|"]
    lines += [f"| {name} | {minutes:g} |" for name, minutes in load_times().items()]
    return "\n".join(lines) + "\n"


def _cautions() -> str:
    return "\n".join(["## Cautions", "", *[f"- {caution.text}" for caution in CAUTIONS]]) + "\n"


if __name__ == "__main__":
    print(tools_page(), end="")
