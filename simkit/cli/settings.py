"""`--set KEY=VALUE`: keys of the case set on the command line."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import click

from simkit.case import Case, parse_settings
from simkit.checks.deeper import check_case


def set_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """The option --set, which can be repeated; its values are the argument `settings`."""
    return click.option(
        "--set", "settings", multiple=True, metavar="KEY=VALUE",
        help="Set a key of the case, such as panel.thickness_mm=0.8, kit.glue=strong-hot-melt or "
             "'kit.tabs=[round-20, round-30]'. Repeat it for further keys. It is recorded with the "
             "results, which belong to another run of the same case.")(command)


def checked_case(path: str, settings: tuple[str, ...]) -> Case:
    """The case with these keys, after all checks; InputErrors names all errors."""
    return check_case(path, parse_settings(settings))
