"""Pages that the build makes: every verb with its options, the Python door, the gallery."""

from __future__ import annotations

import importlib
import inspect
import shutil
import tempfile
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import click

import simkit.api
from simkit.cli.main import VERBS
from simkit.show.draw import (
    draw_comparison,
    draw_comparison_reflections,
    draw_movie,
    draw_reflections,
    draw_run,
)

HERE = Path(__file__).resolve().parent
GALLERY = {
    "map.png": "Deviation before and after, one even scale",
    "bands.png": "The same in bands: the crown beside the depth",
    "steps.png": "Deviation step by step, in bands",
    "work.png": "Where was worked, with what, in which order",
    "sheet.png": "What is in the sheet, computed",
    "reflections.png": "Lamp lines and isophotes",
    "reflections-steps.png": "Lamp lines step by step",
    "sections.png": "Sections through the deepest point",
    "progress.png": "Lows, highs and forces",
    "left.png": "What is left, on its own scale",
    "force-step04.png": "Force against travel of one step",
    "reflections.gif": "The repair as lamp lines see it",
}

COMPARED = {
    "comparison.png": "Strategies compared: steps, minutes, stages, what each asked of the sheet",
    "final-maps.png": "What each strategy left",
    "progress-all.png": "Lows and highs of all strategies",
    "reflections.png": "Lamp lines of each strategy, side by side",
}


STORED = {
    "scene.png": "In 3-D, with the tab where it pulled",
    "reading-damage.png": "What `simkit read` finds",
    "left-panel-match.png": "What was measured beside the dent that was found",
    "hold-and-tap.png": "Five ways of pulling and tapping",
}
"""Pictures of docs/pictures that need a scan, a long computation or an optional package."""


def made_by_the_build(folder: Path) -> None:
    """Write commands.md, python.md, gallery.md and the gallery's pictures into a folder."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    (folder / "commands.md").write_text(commands(), encoding="utf-8")
    (folder / "python.md").write_text(python(), encoding="utf-8")
    (folder / "gallery.md").write_text(gallery(folder), encoding="utf-8")
    answers(folder / "questions")


def commands() -> str:
    """Help of every verb as the command line prints it."""
    parts = ["# Commands\n\nMade from the command line itself by the build.\n"]
    for verb, line in VERBS.items():
        command: click.Command = importlib.import_module(f"simkit.cli.{verb}").command
        with click.Context(command, info_name=f"simkit {verb}", max_content_width=92,
                           terminal_width=92) as context:
            text = command.get_help(context)
        parts.append(f"## simkit {verb}\n\n{line}\n\n```text\n{text}\n```\n")
    return "\n".join(parts)


def gallery(folder: Path) -> str:
    """Draw every picture of the stored run and comparison in docs/gallery, and their page."""
    run = _drawn("run.zip", folder, "pictures", (draw_run, draw_reflections, draw_movie), GALLERY)
    compared = _drawn("comparison.zip", folder, "pictures/compared",
                      (draw_comparison, draw_comparison_reflections), COMPARED)
    return ("# Gallery\n\nDrawn by the build from what is stored in `docs/gallery`. The first "
            "demo dent, invented, after three pulls and a push.\n\n" + run
            + "\nNow the door dent, invented, worked by three strategies (README, first command)."
            "\n\n" + compared
            + "\nThese are not drawn anew by the build; the pages beside them say how they are "
              "made. The figures of the ready questions stand on their pages.\n\n"
            + "\n".join(f"## {caption}\n\n![{caption}](../pictures/{name})\n"
                        for name, caption in STORED.items()))


def _drawn(archive: str, folder: Path, below: str, draw: Sequence[Callable[[Path, Path], object]],
           shown: Mapping[str, str]) -> str:
    """Draw what an archive holds into a folder's folder; a heading and a picture each."""
    with tempfile.TemporaryDirectory() as place:
        held = Path(place) / "held"
        shutil.unpack_archive(HERE / "gallery" / archive, held)
        for one in draw:
            one(held, folder / below)
    missing = [name for name in shown if not (folder / below / name).exists()]
    if missing:
        raise RuntimeError(f"pictures missing from the gallery: {missing}")
    return "\n".join(f"## {caption}\n\n![{caption}]({below}/{name})\n"
                     for name, caption in shown.items())


def answers(folder: Path) -> None:
    """The pages of the ready questions with their figures, as they are stored."""
    folder.mkdir()
    for page in sorted((HERE.parent / "cases" / "questions").glob("*/page.md")):
        name = page.parent.name
        shutil.copyfile(page.parent / "answer.png", folder / f"{name}.png")
        text = page.read_text(encoding="utf-8").replace("(answer.png)", f"({name}.png)")
        (folder / f"{name}.md").write_text(text, encoding="utf-8")


def python() -> str:
    """What `import simkit` offers: signatures and docstrings as they stand in the code."""
    parts = ["# Python, name by name\n\nMade from the code by the build; a first way in is the "
             "page before this one.\n"]
    for name in sorted(simkit.api.__all__):
        thing = getattr(simkit.api, name)
        text = inspect.getdoc(thing) or ""
        parts.append(f"## {name}\n\n```text\n{name}{_signature(thing)}\n\n{text}\n```\n")
        for key, member in vars(thing).items() if inspect.isclass(thing) else ():
            if not key.startswith("_") and inspect.isfunction(member):
                said = inspect.getdoc(member) or ""
                parts.append(f"```text\n{name}.{key}{_signature(member)}\n\n{said}\n```\n")
    return "\n".join(parts)


def _signature(thing: Any) -> str:
    try:
        return str(inspect.signature(thing))
    except (TypeError, ValueError):
        return ""
