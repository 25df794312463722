"""Exit codes of the command line: one table for the code, the help and the docs.

Codes from 64 upwards are those of BSD's sysexits.h; after a signal the code is 128 plus the number
of the signal, as in shells.
"""

from __future__ import annotations

DONE, NOT_MET, BAD_INPUT, NOT_CONVERGED, NOT_MATCHED = 0, 1, 2, 3, 4
INTERNAL, SYSTEM, INPUT_OUTPUT = 70, 71, 74
INTERRUPTED, PIPE_CLOSED, TERMINATED = 130, 141, 143

MEANINGS: dict[int, str] = {
    DONE: "done",
    NOT_MET: "ran, but the goal was not met (not flat, a check beyond its limit)",
    BAD_INPUT: "bad input, or a folder that cannot be used",
    NOT_CONVERGED: "did not converge",
    NOT_MATCHED: "the reconstructed panel does not hold the dent that was measured",
    INTERNAL: "a fault inside simkit; one line names the report with the details",
    SYSTEM: "the computer gave out: no memory, or a worker process was ended from outside",
    INPUT_OUTPUT: "reading or writing failed on the way: disk full, folder removed",
    INTERRUPTED: "interrupted",
    PIPE_CLOSED: "whoever read the output closed it",
    TERMINATED: "told to end",
}
"""Exit code -> meaning. A verb with a further outcome adds its code here."""


def table() -> str:
    """The codes, one on each line, for the end of `simkit --help`."""
    return "\n".join(f"  {code:>3}  {meaning}" for code, meaning in MEANINGS.items())
