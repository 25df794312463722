"""`simkit verify`: solve the problems of the verification manual."""

from __future__ import annotations

from pathlib import Path

import click

from simkit.cli.answer import json_option, number_or_text, result
from simkit.cli.working import clear, say
from simkit.verification.manual import write_manual
from simkit.verification.verify import Solved, verify


@click.command(epilog="""\b
Examples:
  simkit verify --quick
  simkit verify plate-under-a-ball slit-annulus
  simkit verify --full --manual docs/verification
""")
@click.argument("problems", nargs=-1, metavar="[NAME]...")
@click.option("--quick/--full", default=False,
              help="Coarser meshes where a problem is slow, or those of the manual (default).")
@click.option("--out", type=click.Path(path_type=Path), metavar="DIR",
              help="Folder of verification.csv; runs/verification or -quick if not given.")
@click.option("--manual", type=click.Path(path_type=Path), metavar="DIR",
              help="Also write the manual's pages and figures into DIR.")
@click.option("--fresh", is_flag=True, help="Solve again what the folder already holds.")
@json_option
def command(problems: tuple[str, ...], quick: bool, out: Path | None, manual: Path | None,
            fresh: bool) -> None:
    """Solve problems with known solutions (exact, published, by other codes) and compare.

    All problems, or the named ones. The same command continues an interrupted run. Exit code 0 when
    every number is within its limit, or beyond it for a known reason that is shown; 1 when one is
    beyond without such a reason; 2 for bad input.
    """
    folder = out or Path("runs") / ("verification-quick" if quick else "verification")
    clear(folder, fresh)
    done = verify(problems, quick, folder, _tell)
    checks = sum(len(solved.rows) for solved in done)
    failed = [row for solved in done for row in solved.failed]
    departing = sum(len(solved.departing) for solved in done)
    say("")
    say(f"{checks} checks: {checks - len(failed) - departing} within their limits, {departing} "
        f"beyond for a known reason, {len(failed)} beyond without one")
    say(f"table  {folder / 'verification.csv'}")
    if manual is not None:
        say(f"manual {write_manual(folder, manual)}")
    result({"checks": checks, "failed": len(failed), "departing": departing,
            "table": folder / "verification.csv", "problems": [
                {"name": solved.name, "skipped": solved.skipped, "seconds": solved.seconds,
                 "rows": [{key: number_or_text(text) for key, text in row.items()}
                          for row in solved.rows]} for solved in done]})
    if failed:
        raise click.exceptions.Exit(1)


def _tell(solved: Solved) -> None:
    if solved.skipped:
        say(f"{solved.name:28s} skipped: {solved.skipped}")
        return
    # Errors over their limits, since limits differ from check to check.
    worst = max((abs(float(row["error_pct"])) / float(row["limit_pct"]) for row in solved.rows),
                default=0.0)
    state = "ok" if not solved.failed else "FAILS"
    say(f"{solved.name:28s} {len(solved.rows):3d} checks  {state:5s}  largest error "
        f"{100 * worst:4.0f} % of its limit  {solved.seconds:6.1f} s")
    for row in (*solved.failed, *solved.departing):
        say(f"    {row['case']}, {row['quantity']}: {float(row['value']):.6g}, wanted "
            f"{float(row['reference']):.6g} ({float(row['error_pct']):+.3g} %, limit "
            f"{row['limit_pct']} %)" + (f": {row['known']}" if row["known"] else ""))
