"""`simkit completion`: the script by which a shell completes verbs and options."""

from __future__ import annotations

import click
from click.shell_completion import get_completion_class

from simkit.cli.answer import json_option, result
from simkit.cli.lines import wanted
from simkit.cli.main import COMPLETES, cli

SHELLS = ("bash", "zsh", "fish")


@click.command("completion", epilog="""\b
Examples:
  eval "$(simkit completion bash)"                      for this shell
  simkit completion bash >> ~/.bashrc                   for every new one
  simkit completion fish > ~/.config/fish/completions/simkit.fish
""")
@click.argument("shell", type=click.Choice(SHELLS))
@json_option
def command(shell: str) -> None:
    """Print the script by which SHELL completes simkit's verbs and options."""
    kind = get_completion_class(shell)
    assert kind is not None
    script = kind(cli, {}, "simkit", COMPLETES).source()
    if not wanted():
        click.echo(script)
    result({"shell": shell, "script": script})
