"""The command `simkit`: verbs imported only when called, one-line errors, defined exit codes."""

from __future__ import annotations

import importlib
import os
import sys
from collections.abc import Sequence

import click

from simkit import __version__, streams
from simkit.cli.lines import display
from simkit.errors import InputError, InputErrors, nearest
from simkit.exit_codes import (
    BAD_INPUT,
    DONE,
    INPUT_OUTPUT,
    INTERRUPTED,
    PIPE_CLOSED,
    TERMINATED,
    table,
)
from simkit.faults import Terminated, ending_on_signals, explained, failed, refused
from simkit.words import one_line

# Our matrices are small blocks: starting BLAS threads would cost more time than they save, and
# waiting threads use processors that the processes of a comparison need. Must be set before numpy
# is loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

VERBS = {
    "init": "Write a commented case to start from.",
    "check": "Read a case and name every error in it; computes nothing.",
    "run": "Repair one case by one strategy and record every step.",
    "compare": "Repair one case by several strategies and compare them.",
    "study": "Carry out many runs from one file: cases x variations x strategies x replicates.",
    "try": "Do single operations on a panel and see what each one changes.",
    "promise": "Say which result can be promised within a time, and how reliably.",
    "live": "Work the panel by hand on a page that shows the reflections.",
    "learn": "Weigh the histories of a run's dent by readings after a step.",
    "ask": "Answer a ready question, such as which tab or why the crown goes first.",
    "table": "Join runs, comparisons and studies in one table.",
    "read": "Read the damage of a case or a scan: lows, crowns, creases, strain, access.",
    "show": "Draw the pictures of a finished run from its records.",
    "export": "Write a run for other programs, or as a page with a 3-D view.",
    "report": "Write the report of a run, comparison or study: one HTML file, or PDF.",
    "sheet": "Write a work sheet to take to the panel.",
    "verify": "Solve problems with known answers and compare.",
    "grades": "List the sheet grades with their key numbers and sources.",
    "tools": "List tabs, tips and glues, with drawings to scale, also of your own catalogues.",
    "completion": "Print the script by which a shell completes verbs and options.",
}
"""One line of help for each verb; its code is `command` in simkit.cli.<verb>."""

COMPLETES = "_SIMKIT_COMPLETE"
"""Environment variable by which a shell requests completions; see `simkit completion`."""

EPILOG = f"""\b
First steps:
  simkit init my-panel          a commented case to start from
  simkit grades                 which sheet grades there are
  simkit check cases/first-dent is the case sound?
  simkit compare cases/first-dent --out runs/first

\b
Exit codes:
{table()}
"""


class VerbGroup(click.Group):
    """Group whose verbs are imported only when called, so that --version and --help are quick."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names of the verbs, in the order of VERBS."""
        return list(VERBS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The verb's command, imported now; None for an unknown verb."""
        if cmd_name not in VERBS:
            return None
        command: click.Command = importlib.import_module(f"simkit.cli.{cmd_name}").command
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """As in click; the message for an unknown verb also names the most similar one."""
        if args and args[0] not in VERBS and not args[0].startswith("-"):
            near = nearest(args[0], VERBS)
            hint = f"did you mean '{near}'?" if near else "verbs: " + ", ".join(VERBS)
            raise click.UsageError(f"no verb '{args[0]}'; {hint}", ctx)
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The verbs with their lines of help, without importing them."""
        with formatter.section("Verbs"):
            formatter.write_dl(list(VERBS.items()))


@click.command(
    cls=VerbGroup,
    epilog=EPILOG,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(__version__, "--version", prog_name="simkit")
def cli() -> None:
    """Simulate the repair of dents in thin sheet panels, without filler or paint.

    A case file describes the panel, the dent as a depth field, the tools and the strategies.
    simkit reconstructs the residual stress around the dent, then pulls, pushes and taps on the
    simulated panel until it is flat or a limit is reached.

    For the help of a verb: simkit VERB --help.
    """


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line; returns the exit code and never shows a traceback."""
    streams.make_sound()
    args = list(sys.argv[1:] if argv is None else argv)
    try:
        # Called by the shell: click prints the completions and leaves.
        if argv is None and COMPLETES in os.environ:
            cli.main(prog_name="simkit", complete_var=COMPLETES)
        with ending_on_signals():
            code = _invoke(args)
        if sys.stdout is not None:
            sys.stdout.flush()
        return code
    except BrokenPipeError:
        _silence_stdout()
        return PIPE_CLOSED
    except OSError as error:  # the output could not be written
        _silence_stdout()
        return failed(f"standard output: {error.strerror}", INPUT_OUTPUT)
    finally:
        folders = sys.modules.get("simkit.folders")  # not imported for --help and --version
        if folders is not None:
            folders.release()


def _invoke(args: list[str]) -> int:
    try:
        if any("\0" in word for word in args):
            raise InputError("a zero byte in the command", "words without it")
        with cli.make_context("simkit", args) as context, display():
            cli.invoke(context)
        return DONE
    except click.exceptions.Exit as leave:
        return leave.exit_code
    except click.ClickException as error:
        if isinstance(error, click.exceptions.NoArgsIsHelpError):
            error.show()
        else:
            streams.complain(_said(error))
        # click gives 1 for a file that cannot be opened; with us 1 means that the goal was not met.
        return BAD_INPUT if isinstance(error, click.FileError) else error.exit_code
    except InputErrors as errors:
        return refused(errors.errors)
    except InputError as error:
        return refused((error,))
    except Terminated:
        return failed("terminated by a signal; finished work is kept", TERMINATED)
    except (KeyboardInterrupt, click.Abort):
        streams.complain("interrupted")
        return INTERRUPTED
    except BrokenPipeError:
        raise
    except Exception as error:
        return explained(error)


def _said(error: click.ClickException) -> str:
    """An error of the command line in one line, with the command that shows the options."""
    context = getattr(error, "ctx", None)
    if context is None:
        return f"Error: {error.format_message()}"
    return f"error: {one_line(error.format_message())} See '{context.command_path} --help'."


def _silence_stdout() -> None:
    streams.silence(sys.stdout)


if __name__ == "__main__":
    sys.exit(main())
