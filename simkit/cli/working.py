"""What run and compare share: where results go, first words, cautions, exit codes."""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path

import click

import simkit
from simkit.case import Case
from simkit.cli.answer import wanted
from simkit.errors import InputError
from simkit.tool.cautions import cautions_for

EXIT_NOT_FLAT, EXIT_NOT_CONVERGED = 1, 3
OWN_FILES = ("case.json", "compare.json", "run.json", "verification.csv")


def say(text: str) -> None:
    """A line of progress, at once also through pipes; beside the answer where that is JSON."""
    beside = wanted()
    click.echo(text, err=beside)
    (sys.stderr if beside else sys.stdout).flush()


def out_folder(case: Case, name: str) -> Path:
    """Default folder of a run or comparison."""
    stem = case.folder.resolve().name if case.file.name == "case.yaml" else case.file.stem
    return Path("runs") / f"{stem}-{name}"


def clear(folder: Path, fresh: bool) -> None:
    """Remove an earlier run if asked to; InputError for a folder that is none of ours."""
    if not fresh or not folder.exists():
        return
    if not any((folder / name).exists() for name in OWN_FILES):
        raise InputError("--fresh would delete a folder that holds no run of simkit",
                         "another folder for --out", str(folder))
    shutil.rmtree(folder)


def hello(case: Case) -> None:
    """First words: the case, where its data come from, and that kernels compile once."""
    say(f"{case.title}. {case.about}")
    if not _compiled():
        say("First run here: the kernels are compiled once, about a minute; later runs start at "
            "once.")


def _compiled() -> bool:
    places = [Path(str(simkit.__file__)).parent / "shell" / "__pycache__"]
    if os.environ.get("NUMBA_CACHE_DIR"):
        places.append(Path(os.environ["NUMBA_CACHE_DIR"]))
    return any(next(place.rglob("kernels.assemble*.nbi"), None) for place in places
               if place.is_dir())


def cautions() -> None:
    """The usual cautions."""
    say("")
    say("Before anyone works on a real panel:")
    for caution in cautions_for():
        say(f"  - {caution.text}")
