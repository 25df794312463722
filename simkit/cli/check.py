"""`simkit check`: name the errors in a case, or show what it will compute."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import click

from simkit.case.plan import plan_bounds
from simkit.case.reference import json_schema, reference_page
from simkit.checks.size import size_of
from simkit.checks.summary import in_range, measured, summary, told_apart
from simkit.cli.answer import json_option, result
from simkit.cli.settings import checked_case, set_option
from simkit.cli.working import say
from simkit.measurement.read import read_dent
from simkit.words import visible


def _print_and_leave(text: Callable[[], str]) -> Callable[[click.Context, Any, bool], None]:
    def act(ctx: click.Context, param: Any, wanted: bool) -> None:
        if wanted and not ctx.resilient_parsing:
            # An eager option: CASE, which is required otherwise, need not be given.
            click.echo(text(), nl=False)
            ctx.exit()
    return act


@click.command(epilog="""\b
Examples:
  simkit check cases/first-dent
  simkit check my-panel.yaml
  simkit check --schema > case.schema.json    for an editor that completes keys
""")
@click.argument("case", type=click.Path())
@click.option("--schema", is_flag=True, is_eager=True, expose_value=False,
              callback=_print_and_leave(lambda: json.dumps(json_schema(), indent=2) + "\n"),
              help="Print the JSON schema of the case file and leave.")
@click.option("--reference", is_flag=True, is_eager=True, expose_value=False,
              callback=_print_and_leave(reference_page),
              help="Print the reference page of the case file (Markdown) and leave.")
@set_option
@json_option
def command(case: str, settings: tuple[str, ...]) -> None:
    """Read CASE and name every error in it; compute nothing.

    CASE is a YAML file, or a folder that holds case.yaml. Every error is one line: file, line,
    key, what was found, what was expected. If there is none, a summary of the computation with all
    defaults and 'ok' are printed. Exit code 0 without errors, 2 with errors.

    All keys with units, defaults and ranges: docs/case-file.md, or --reference.
    """
    checked = checked_case(case, settings)
    depth = read_dent(checked.dent, plan_bounds(checked.panel))
    lines = [*summary(checked), ("size", size_of(checked, depth).words()), *measured(depth),
             *told_apart(checked, depth), *in_range(checked, depth)]
    for word, line in lines:
        say(visible(f"{word:<11}{line}"))
    say("ok")
    result({"ok": True, "summary": dict(lines), "case": checked.model_dump(mode="json")})
