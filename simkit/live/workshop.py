"""The panel of a live session: a tree of states, branches, undo and redo, all stored on disk.

Every node of the tree is a state of the panel; a branch is a name for a node. A branch is also an
ordinary run folder, so that pictures, reports and tables work on it.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from simkit.errors import InputError
from simkit.files import write_json
from simkit.record.parts import field_file
from simkit.record.write import (
    finish,
    identity,
    load_state,
    open_folder,
    record_step,
    save_state,
)
from simkit.repair.operations import Operation
from simkit.repair.session import Session, Step, open_session
from simkit.repair.spoken import read_operation, say_operation
from simkit.repair.steprow import StepRow
from simkit.study.run import FLAT, Start, summary

BY_HAND = "live"
NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 _-]{0,39}")
MOST_NODES, MOST_BRANCHES = 2000, 40
FORMAT_VERSION = 1


@dataclass
class Node:
    """One state: its parent (-1 for the dent), the operation that led to it, its session."""

    parent: int
    operation: str
    session: Session


@dataclass
class Workshop:
    """A session shared by all clients.

    Attributes
    ----------
    start : the dent; folder : where the session is stored. nodes : the tree; branches : node of
    each name; branch : name of the present branch; redo : nodes undone, the last one at the end.
    """

    start: Start
    folder: Path
    nodes: list[Node] = field(default_factory=list)
    branches: dict[str, int] = field(default_factory=dict)
    branch: str = "main"
    redo: list[int] = field(default_factory=list)

    @property
    def here(self) -> int:
        """Number of the present node."""
        return self.branches[self.branch]

    @property
    def session(self) -> Session:
        """The session of the present node."""
        return self.nodes[self.here].session

    def work(self, text: str) -> StepRow:
        """Carry out an operation given as text (`simkit.repair.spoken`) on the present branch.

        Raises
        ------
        InputError : it cannot be read or carried out; the panel is unchanged.
        """
        return self.apply(read_operation(text))

    def apply(self, operation: Operation) -> StepRow:
        """Carry out an operation on the present branch and store it; returns its row."""
        row = self.carry_out(operation)
        self.record()
        return row

    def carry_out(self, operation: Operation,
                  apply: Callable[[Session, Operation], Session] = Session.apply) -> StepRow:
        """As `apply`, but without the run folder, which :meth:`record` updates afterwards.

        The node is stored at once, so that nothing is lost if the program ends in between.
        ``apply``: carries out the operation.
        """
        if len(self.nodes) >= MOST_NODES:
            raise InputError(f"{MOST_NODES} steps in one session", "a new session")
        session = apply(self.session, operation)
        self.nodes.append(Node(self.here, say_operation(operation), session))
        self.branches[self.branch] = len(self.nodes) - 1
        self.redo.clear()
        self._keep_node(len(self.nodes) - 1)
        return session.now.row

    def begin(self, name: str, sessions: list[Session]) -> None:
        """A new branch with a dent of its own, and the steps done on it; work on it."""
        if len(self.nodes) + len(sessions) > MOST_NODES or len(self.branches) >= MOST_BRANCHES:
            raise InputError("a session with too many steps or branches", "a new session")
        parent = -1
        for session in sessions:
            row = session.now.row
            words = "the dent" if parent < 0 else row.said or row.deed
            self.nodes.append(Node(parent, words, session))
            parent = len(self.nodes) - 1
            self._keep_node(parent)
        self.branches[name] = parent
        self.branch = name
        self.redo.clear()
        self._keep()
        self.record()

    def undo(self) -> None:
        """Go back by one step; InputError at the dent."""
        node = self.nodes[self.here]
        if node.parent < 0:
            raise InputError("nothing to undo", "this is the dent as it was")
        self.redo.append(self.here)
        self.branches[self.branch] = node.parent
        self._keep()

    def again(self) -> None:
        """Redo the step undone last; InputError if none was undone."""
        if not self.redo:
            raise InputError("nothing to redo", "an undo before it")
        self.branches[self.branch] = self.redo.pop()
        self._keep()

    def fork(self, name: str, node: int | None = None) -> None:
        """Begin a new branch at the present node, or at another one."""
        if not NAME.fullmatch(name):
            raise InputError(f"branch name {name[:50]!r}", "up to 40 letters, digits, - and _")
        if name in self.branches or len(self.branches) >= MOST_BRANCHES:
            raise InputError(f"branch '{name}'", "a new name; at most "
                             f"{MOST_BRANCHES} branches")
        self.branches[name] = self.here if node is None else self._number(node)
        self.branch = name
        self.redo.clear()
        self._keep()

    def switch(self, name: str) -> None:
        """Work on another branch."""
        if name not in self.branches:
            raise InputError(f"no branch '{name[:50]}'", ", ".join(self.branches))
        self.branch = name
        self.redo.clear()
        self._keep()

    def _number(self, node: int) -> int:
        if not 0 <= node < len(self.nodes):
            raise InputError(f"no step {node}", f"0 to {len(self.nodes) - 1}")
        return node

    def path(self, name: str) -> list[int]:
        """Nodes of a branch from the dent on."""
        nodes, at = [], self.branches[name]
        while at >= 0:
            nodes.append(at)
            at = self.nodes[at].parent
        return nodes[::-1]

    def _keep_node(self, number: int) -> None:
        node = self.nodes[number]
        save_state(self.folder / "tree" / f"{number:04d}.npz", node.session.state)
        write_json(self.folder / "tree" / f"{number:04d}.json", {
            "parent": node.parent, "operation": node.operation,
            "row": node.session.now.row.cells()})
        self._keep()

    def record(self) -> None:
        """Store the missing steps of the present branch in its run folder."""
        folder = self._run_folder(self.branch)
        for at in self.path(self.branch):
            session = self.nodes[at].session
            # The last step is always written: after an undo the file may be of another node.
            if at == self.here or not field_file(folder, session.now.row.step).exists():
                record_step(folder, session)

    def _keep(self) -> None:
        write_json(self.folder / "live.json", {
            "format": FORMAT_VERSION, "nodes": len(self.nodes), "branches": self.branches,
            "branch": self.branch})

    def _run_folder(self, name: str) -> Path:
        folder = self.folder / "runs" / name.replace(" ", "_")
        if not (folder / "case.json").exists():
            open_folder(folder, {**identity(self.start.work.case), "strategy": BY_HAND})
        return folder

    def save(self) -> list[Path]:
        """Write every branch as a finished run; their folders."""
        folders = []
        for name, at in self.branches.items():
            folder = self._run_folder(name)
            for number in self.path(name):
                record_step(folder, self.nodes[number].session)
            session = self.nodes[at].session
            outcome = FLAT if session.now.row.flat else "as tried"
            finish(folder, session, BY_HAND, outcome, {
                "summary": summary(session, BY_HAND, outcome),
                "reconstruction": dict(self.start.notes)})
            folders.append(folder)
        return folders


def open_workshop(start: Start, folder: Path,
                  say: Callable[[str], None] = lambda text: None) -> Workshop:
    """A new session, or the one stored in the folder as far as it can be read."""
    shop = Workshop(start, folder)
    open_folder(folder / "tree", {**identity(start.work.case), "kind": "live"})
    shop.nodes.append(Node(-1, "the dent", start.session))
    shop.branches["main"] = 0
    held = _held(folder)
    if held is None:
        shop._keep_node(0)
        shop.record()
        return shop
    for number in range(1, int(held["nodes"])):
        node = _read_node(shop, number, say)
        if node is None:
            say(f"step {number} of the session cannot be read: it goes on before it")
            break
        shop.nodes.append(node)
    # Names become parts of paths, and nodes may be missing: both are checked again.
    branches = {name: at for name, at in held["branches"].items()
                if NAME.fullmatch(name) and isinstance(at, int) and 0 <= at < len(shop.nodes)}
    shop.branches |= branches
    shop.branch = held["branch"] if held["branch"] in shop.branches else "main"
    shop.record()  # it may have ended before that
    say(f"The session goes on: {len(shop.nodes) - 1} steps, branches {', '.join(shop.branches)}")
    return shop


def _held(folder: Path) -> dict[str, Any] | None:
    try:
        held = json.loads((folder / "live.json").read_text("utf-8"))
        if held["format"] != FORMAT_VERSION or not 1 <= held["nodes"] <= MOST_NODES:
            return None
        return {"nodes": held["nodes"], "branches": dict(held["branches"]),
                "branch": str(held["branch"])}
    except (OSError, ValueError, KeyError, TypeError):
        return None


def _read_node(shop: Workshop, number: int, say: Callable[[str], None]) -> Node | None:
    place = shop.folder / "tree" / f"{number:04d}"
    try:
        data = json.loads(place.with_suffix(".json").read_text("utf-8"))
        row, parent = StepRow.from_cells(data["row"]), int(data["parent"])
        operation = str(data["operation"])
    except (OSError, ValueError, KeyError, TypeError):
        return None
    state = load_state(place.with_suffix(".npz"), shop.start.work, say)
    if state is None or not -1 <= parent < number:
        return None
    if parent < 0:
        return Node(parent, operation, open_session(shop.start.work, state,
                                                    matched=shop.start.matched))
    before = shop.nodes[parent].session
    field_now = before.work.sampling.field(state)
    steps = (*before.steps, Step(row, field_now, state))
    session = Session(before.work, steps, before.ring, before.minutes)
    return Node(parent, operation, session)


def case_words(start: Start) -> dict[str, Any]:
    """Facts of the case for the page; `glue_holds_N`: upper bound of the pull of each tab."""
    case, glue = start.work.case, start.work.glue
    return {"title": case.title, "about": case.about,
            "glue_holds_N": {tab.name: glue.holds_N(tab.area_mm2) for tab in start.work.tabs},
            "tabs": [tool if isinstance(tool, str) else tool.name for tool in case.kit.tabs],
            "tips": [tool if isinstance(tool, str) else tool.name for tool in case.kit.tips],
            "tolerance_mm": case.goal.tolerance_mm,
            "pull_limit_N": case.limits.pull_force_N, "push_limit_N": case.limits.push_force_N,
            "paint_strain": case.limits.paint_strain}
