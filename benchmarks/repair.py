"""Time a repair of 30 steps on the first demo dent.

Run: python benchmarks/repair.py [--strategy crown-first] [--steps 30] [--threads 1]
     [--json] [--store]

The dent is reconstructed first (timed beside, not counted); then the strategy picks and the panel
takes one operation after the other, flat or not, as `simkit run` does without its files and
pictures. The answer is right when every operation found its balance with its energy within 1 %,
all steps were done, and the panel is better than the dent was.

What the steps left is compared with the stored result of the same strategy: a long chain of
choices, so any change of the engine may turn it elsewhere; it is no measure of right or wrong.
"""

from __future__ import annotations

import argparse
import statistics
import time
from collections import defaultdict

from common import arguments, finish, say, shares_line, timed_runs
from reconstruction import FIRST_DENT, change, workpieces

from simkit.case import load_case
from simkit.history.reconstruct import reconstruct
from simkit.repair.session import Session, open_session
from simkit.strategy import find_strategy
from simkit.study.run import step_line

ENERGY_PCT = 1.0
KINDS = ("pull", "push", "tap-down")


class Steps:
    """A repair step by step, with the seconds of each."""

    def __init__(self, start: Session, strategy: str, steps: int) -> None:
        self.start, self.strategy, self.steps = start, find_strategy(strategy), steps
        self.seconds: list[float] = []

    def run(self) -> Session:
        """All steps, or fewer if the strategy knows no more."""
        session, self.seconds = self.start, []
        for _ in range(self.steps):
            begin = time.perf_counter()
            operation = self.strategy.next(session)
            if operation is None:
                break
            session = session.apply(operation)
            self.seconds.append(time.perf_counter() - begin)
            say(f"{self.seconds[-1]:5.2f} s  {step_line(self.strategy.name, session.now.row)}")
        return session


def by_kind(session: Session, seconds: list[float]) -> dict[str, dict[str, float]]:
    """Number and median seconds of each kind of operation."""
    kinds: dict[str, list[float]] = defaultdict(list)
    for step, took in zip(session.steps[1:], seconds, strict=True):
        kinds[step.row.operation].append(took)
    return {kind: {"steps": len(kinds[kind]), "median_s": statistics.median(kinds[kind])}
            for kind in KINDS if kinds[kind]}


def checked(session: Session, wanted: int) -> dict:
    """The answer and whether it holds."""
    rows = [step.row for step in session.steps[1:]]
    worst = max(abs(row.energy_error_pct) for row in rows)
    last = rows[-1]
    valid = all(step.result is not None and step.result.outcome.valid
                for step in session.steps[1:])
    return {
        "answer": {"max_low_mm": last.max_low_mm, "max_high_mm": last.max_high_mm,
                   "improvement_pct": last.improvement_pct,
                   "max_force_N": max(row.force_N for row in rows)},
        "worst_energy_error_pct": worst, "steps": len(rows),
        "answer_ok": bool(valid and worst <= ENERGY_PCT and len(rows) == wanted
                          and last.improvement_pct > 0.0)}


def main() -> int:
    """Measure; 1 if the answer is wrong."""
    parser = arguments(__doc__)
    parser.add_argument("--strategy", default="crown-first")
    parser.add_argument("--steps", type=int, default=30)
    parser.add_argument("--threads", type=int, default=1)
    options: argparse.Namespace = parser.parse_args()
    work, fit = workpieces(load_case(str(FIRST_DENT)), options.threads)
    begin = time.perf_counter()
    found = reconstruct(work, fit)
    before = time.perf_counter() - begin
    steps = Steps(open_session(work, found.state), options.strategy, options.steps)
    result = timed_runs(steps.run, work.model, 1, warm=False)
    session = result.pop("done")
    del result["all_done"]
    result |= checked(session, options.steps)
    key = f"{options.strategy}, {options.steps} steps, {options.threads} thread(s)"
    result |= {"strategy": options.strategy, "threads": options.threads,
               "equations": work.model.layout.count, "reconstruction_s": before,
               "operations": by_kind(session, steps.seconds), "step_seconds": steps.seconds,
               "changed_by": change("repair", key, result["answer"])}
    answer = result["answer"]
    kinds = ", ".join(f"{kind} {row['steps']} x {row['median_s']:.2f} s (median)"
                      for kind, row in result["operations"].items())
    text = (f"{result['steps']} steps of {options.strategy}, {result['equations']} equations, "
            f"{options.threads} thread(s): {result['median_s']:.1f} s, processor "
            f"{result['cpu_s']:.1f} s, {result['iterations']} Newton iterations (reconstruction "
            f"before: {before:.1f} s)\n{kinds}\n"
            + shares_line(result)
            + f"\nleft: low {answer['max_low_mm']:+.3f}, high {answer['max_high_mm']:+.3f} mm, "
            f"{answer['improvement_pct']:.1f} % better; worst energy error "
            f"{result['worst_energy_error_pct']:.2f} %; changed from the stored answer by "
            f"{result['changed_by']}; answer ok: {result['answer_ok']}")
    return finish("repair", key, result, text, options)


if __name__ == "__main__":
    raise SystemExit(main())
