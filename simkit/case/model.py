"""The whole case file as one frozen model."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal

from pydantic import PrivateAttr

from simkit.case.base import Part, choice, items, number, text
from simkit.case.dent import Dent, History
from simkit.case.names import STRATEGY_NAMES
from simkit.case.panel import Panel
from simkit.case.repair import Goal, Hand, Kit, Limits, OwnStrategy, Planner, Times


class Mesh(Part):
    """Mesh of the shell: fine at the dent, coarse away from it."""

    fine_mm: float = number("Element size at the dent.", 0.25, 50.0, 4.0)
    coarse_mm: float = number("Element size far away.", 0.25, 200.0, 16.0)
    bulk_mm: float | None = number(
        "Element size at the dent until the stage 'bulk' is reached; then the state of the panel "
        "is carried to elements of fine_mm. Absent: fine_mm throughout.", 0.25, 200.0, None)
    degree: Literal[2, 3] = choice("Degree of the B-splines.", 2)
    layers: int = number("Integration points through the thickness.", 3, 15, 5)


class Case(Part):
    """A case: one panel, one dent, one kit, and the strategies to compare on it."""

    format: Literal[1] = choice("Version of this format.")
    title: str = text("One line that names the case.")
    about: str = text(
        "Where the data come from: measured by whom and how, or invented. Reports print it.")
    panel: Panel = choice("The undamaged panel.")
    mesh: Mesh = choice("How finely it is computed.", Mesh())
    dent: Dent | None = choice("The depth field; absent: virgin panel.", None)
    history: History = choice("How the dent came about.", History())
    kit: Kit = choice("Tools at hand.", Kit())
    limits: Limits = choice("What one operation may not exceed.", Limits())
    goal: Goal = choice("When the panel counts as flat.", Goal())
    times: Times = choice("Minutes of work.", Times())
    strategies: tuple[str, ...] = items(
        "Strategies to compare: " + ", ".join(STRATEGY_NAMES) + ".", STRATEGY_NAMES)
    own_strategies: tuple[OwnStrategy, ...] = items(
        "Strategies of one's own, to be named beside the built-in ones.", (), 0)
    planner: Planner = choice("What the planner looks for.", Planner())
    hand: Hand = choice("How exactly the hand works.", Hand())
    seed: int = number("Seed of everything drawn at random.", 0, 2**31 - 1, 0)

    _file: Path = PrivateAttr(default=Path("case.yaml"))
    _settings: dict[str, Any] = PrivateAttr(default_factory=dict)

    @property
    def file(self) -> Path:
        """The case file as it was opened."""
        return self._file

    @property
    def folder(self) -> Path:
        """Folder of the case file, from which its relative file names count."""
        return self._file.parent

    @property
    def settings(self) -> Mapping[str, Any]:
        """Keys that were set beside the case file, by `--set`, with their values."""
        return self._settings

    @property
    def noise_mm(self) -> float:
        """Standard error of one reading of the dent's depths, mm; 0 without a dent."""
        return 0.0 if self.dent is None else self.dent.noise_mm

    def data_files(self) -> dict[tuple[str | int, ...], Path]:
        """Every data file that the case names, by its key path."""
        dent = {} if self.dent is None else self.dent.data_files()
        found: dict[tuple[str | int, ...], Path] = {
            ("dent", *key): file for key, file in dent.items()}
        if self.panel.heights_csv is not None:
            found["panel", "heights_csv"] = self.panel.heights_csv
        if self.panel.reversed_test is not None:
            found["panel", "reversed_test", "strip_csv"] = self.panel.reversed_test.strip_csv
        for index, file in enumerate(self.kit.catalogues):
            found["kit", "catalogues", index] = file
        for index, own in enumerate(self.own_strategies):
            found["own_strategies", index, "file"] = own.file
        if self.times.file is not None:
            found["times", "file"] = self.times.file
        return found

    def opened_from(self, file: Path) -> Case:
        """The same case, remembering the file it was read from."""
        case = self.model_copy()
        # Private attributes can be set although the model is frozen.
        case._file = file
        return case

    def noting(self, settings: Mapping[str, Any]) -> Case:
        """The same case, remembering which of its keys were set beside the file."""
        case = self.model_copy()
        case._settings = {**self._settings, **settings}
        return case
