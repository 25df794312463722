"""`simkit init`: write a commented case to start from."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

import click

from simkit.cli.answer import json_option, result
from simkit.cli.working import say
from simkit.errors import InputError
from simkit.files import write_atomic

FILES = ("case.yaml", "gauge.csv")


@click.command("init", epilog="""\b
Examples:
  simkit init my-panel
  simkit check my-panel
""")
@click.argument("name", metavar="FOLDER", type=click.Path(path_type=Path))
@json_option
def command(name: Path) -> None:
    """Write a commented case into FOLDER: panel, dent, tools, limits, goal.

    It can be run as it is; its numbers are invented. Replace them by your own, line by line. Exit
    code 2 if the folder is not empty.
    """
    try:
        if name.exists() and (not name.is_dir() or any(name.iterdir())):
            raise InputError("this folder already holds something", "a new name", str(name))
        starter = resources.files("simkit.case") / "starter"
        for file in FILES:
            write_atomic(name / file, (starter / file).read_bytes())
    except OSError as error:
        raise InputError(f"cannot write here: {error.strerror}", "a folder that can be written",
                         str(name)) from error
    for file in FILES:
        say(f"written  {name / file}")
    say("")
    say(f"next: put your panel and readings in, then  simkit check {name}")
    result({"files": [name / file for file in FILES]})
