"""`simkit tools`: tabs, tips and glues by name, with drawings to scale."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

import click

from simkit.cli.answer import json_option, result
from simkit.cli.working import say
from simkit.errors import InputError, one_of
from simkit.show.tools import draw_tools
from simkit.tool.catalogue import (
    Catalogue,
    find_glue,
    find_tab,
    find_tip,
    glue_numbers,
    with_files,
)


def overview(tools: Catalogue) -> str:
    """All tools, one line each."""
    lines = ["tab                kind                size mm      plate mm  area mm^2"]
    for name in tools.names("tabs"):
        tab = find_tab(name, tools)
        size = f"{tab.length_mm:g}" if tab.kind == "round" else (
            f"{tab.length_mm:g} x {tab.width_mm:g}")
        plate = "rigid" if tab.thickness_mm is None else f"{tab.thickness_mm:g}"
        lines.append(f"{name:18s} {tab.kind:19s} {size:12s} {plate:>8s} {tab.area_mm2:10.0f}")
    lines += ["", "tip                kind                nose mm  length or face mm"]
    for name in tools.names("tips"):
        tip = find_tip(name, tools)
        body = tip.body
        # Core and nose on both sides: length of a bar, diameter of a face.
        face = 2.0 * (max(body.half_length_mm, body.core_radius_mm) + body.nose_radius_mm)
        lines.append(f"{name:18s} {tip.kind:19s} {body.nose_radius_mm:7g} {face:10.4g}")
    lines += ["", "glue               MPa tension  MPa shear  N/mm tension  N/mm shear"]
    for name in tools.names("glues"):
        glue = find_glue(name, tools)
        lines.append(f"{name:18s} {glue.tension_MPa:11.3g} {glue.shear_MPa:10.3g} "
                     f"{glue.tension_energy_N_per_mm:13.3g} {glue.shear_energy_N_per_mm:11.3g}")
    lines += ["", "Sizes are common practice, no source. 'simkit tools NAME' shows the sources of "
              "a glue's numbers;", "how to measure your own glue: docs/glue.md."]
    return "\n".join(lines)


def detail(name: str, tools: Catalogue) -> tuple[str, dict[str, Any]]:
    """All numbers of one tool, as text and as data."""
    if name in tools.names("glues"):
        numbers = glue_numbers(name, tools)
        lines = [f"  {n.name} = {n.value} [{n.status}] {n.origin}" for n in numbers]
        return "\n".join([f"{name}: glue", *lines]), {
            "name": name, "numbers": [asdict(n) for n in numbers]}
    known = [*tools.names("tabs"), *tools.names("tips")]
    if name not in known:
        raise InputError(f"no tool '{name}'", one_of(name, [*known, *tools.names("glues")]))
    tool = find_tab(name, tools) if name in tools.names("tabs") else find_tip(name, tools)
    data = asdict(tool)
    flat = {**data, **data.pop("body", {})}
    lines = [f"  {key} = {value}" for key, value in flat.items()
             if value not in (None, 0.0) and key not in ("name", "body")]
    return "\n".join([name, *lines]), asdict(tool)


@click.command(epilog="""\b
Examples:
  simkit tools                          all tabs, tips and glues
  simkit tools standard-hot-melt        every number of a glue with its source
  simkit tools --draw tools.png         drawings to scale
  simkit tools --catalogue own.yaml     with tools of your own
""")
@click.argument("name", required=False)
@click.option("--catalogue", multiple=True, metavar="FILE", type=click.Path(path_type=Path),
              help="YAML file of your own tools, in addition to the built-in ones.")
@click.option("--draw", metavar="PNG", type=click.Path(path_type=Path),
              help="Draw tabs and tips to scale into this file.")
@json_option
def command(name: str | None, catalogue: tuple[Path, ...], draw: Path | None) -> None:
    """List tabs, tips and glues, or all numbers of the one called NAME.

    A case names them under kit; docs/tools.md explains how to write your own catalogue.
    """
    for file in catalogue:
        if not file.is_file():
            raise InputError("no such file", "a YAML file with tabs, tips or glues", str(file))
    tools = with_files(catalogue)
    answer: dict[str, Any] = {}
    if name is None:
        say(overview(tools))
        answer["tools"] = {sort: list(tools.names(sort)) for sort in ("tabs", "tips", "glues")}
    else:
        text, answer["tools"] = detail(name, tools)
        say(text)
    if draw is not None:
        if draw.suffix.lower() != ".png":
            raise InputError(f"'{draw.suffix}' found", "a file name that ends in .png", str(draw))
        tabs = [find_tab(one, tools) for one in tools.names("tabs") if name in (None, one)]
        tips = [find_tip(one, tools) for one in tools.names("tips") if name in (None, one)]
        if not tabs and not tips:
            raise InputError(f"'{name}' has no shape to draw", "a tab or a tip")
        answer["picture"] = str(draw_tools(tabs, tips, draw))
        say(f"drawn: {draw}")
    result(answer)
