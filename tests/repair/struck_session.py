"""A session on a panel that a ball has struck; invented."""

from __future__ import annotations

from pathlib import Path

from simkit.case import load_case
from simkit.history.strike import Blow, strike
from simkit.repair.session import Session, open_session
from simkit.repair.workpiece import make_workpiece


def struck_session(folder: Path, case: str) -> Session:
    """The panel of a case text after a ball of 25 mm radius left 2 mm in its middle."""
    file = folder / "case.yaml"
    file.write_text(case, encoding="utf-8")
    work = make_workpiece(load_case(file))
    done = strike(work, work.model.virgin(), Blow("ball", 25.0, 0.0, 0.0, -2.0))
    return open_session(work, done.state)
