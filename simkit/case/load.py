"""Reading a case file into a frozen Case; all faults are reported together."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from pydantic import BaseModel, TypeAdapter, ValidationError
from ruamel.yaml import YAML

from simkit.case.complaints import complaints_of, unheard
from simkit.case.crosschecks import Blocks, cross_checks
from simkit.case.dent import Dent, History
from simkit.case.model import Case, Mesh
from simkit.case.names import STRATEGY_NAMES, KnownNames
from simkit.case.panel import Panel
from simkit.case.reading import Complaint, Document, case_file, read_document
from simkit.case.repair import Goal, Kit, Limits, OwnStrategy
from simkit.errors import InputError, InputErrors

SECTIONS: dict[str, type[BaseModel]] = {
    "panel": Panel, "mesh": Mesh, "dent": Dent, "history": History, "kit": Kit,
    "limits": Limits, "goal": Goal}

NO_DEFAULT = {"panel", "dent"}


def load_case(
    path: str | Path,
    strategies: Sequence[str] | None = STRATEGY_NAMES,
    *,
    grades: Sequence[str] | None = None,
    tabs: Sequence[str] | None = None,
    tips: Sequence[str] | None = None,
    glues: Sequence[str] | None = None,
) -> Case:
    """Read and check a case file.

    Parameters
    ----------
    path : the file, or a folder that holds `case.yaml`.
    strategies, grades, tabs, tips, glues : names that exist; None leaves that sort unchecked.

    Returns
    -------
    The case, frozen; file names in it are absolute or relative as `path` was.

    Raises
    ------
    InputError : the file cannot be read at all (missing, empty, binary, broken YAML).
    InputErrors : one or more faults in its contents, in the order of their lines.
    """
    file = case_file(Path(path))
    known = KnownNames(strategies, grades, tabs, tips, glues)
    return _checked(read_document(file), file, known)


def make_case(data: Mapping[str, Any], folder: str | Path = ".",
              strategies: Sequence[str] | None = STRATEGY_NAMES, *,
              grades: Sequence[str] | None = None, name: str = "case made in Python") -> Case:
    """Check a case given as plain data: the keys of the case file as nested mappings.

    Parameters
    ----------
    data : what a case file holds; `format: 1` is filled in.
    folder : where relative file names of data files count from.
    strategies, grades : names that exist; None leaves that sort unchecked.
    name : what messages call the case.

    Raises
    ------
    InputErrors : every fault, with its key.
    """
    document = Document(name)
    document.data.update(frozen({"format": 1, **data}))
    return _checked(document, Path(folder) / "case.yaml", KnownNames(strategies, grades))


def frozen(value: Any) -> Any:
    """Plain data as the models take it: copied, lists as tuples."""
    if isinstance(value, Mapping):
        return {key: frozen(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return tuple(frozen(item) for item in value)
    return value


def save_case(case: Case, file: str | Path) -> Path:
    """Write a case as a YAML file that loads again; data files are named by absolute paths.

    Raises
    ------
    InputError : the file exists already, or cannot be written.
    """
    file = Path(file)
    try:
        with open(file, "x", encoding="utf-8") as target:
            target.write(case_text(case))
    except OSError as error:
        raise InputError(f"cannot be written ({error.strerror})", "a new file in a folder that "
                         "can be written", str(file)) from None
    return file


def case_text(case: Case) -> str:
    """A case as YAML that loads again; data files are named by absolute paths."""
    data = given(case)
    for path, place in case.data_files().items():
        block: Any = data
        for key in path[:-1]:
            block = block[key]
        block[path[-1]] = place.resolve().as_posix()
    text = io.StringIO()
    YAML(typ="safe", pure=True).dump(data, text)
    return text.getvalue()


def _checked(document: Document, file: Path, known: KnownNames) -> Case:
    case, found = _validated(document, file.parent)
    said = document.complaints + unheard(found, document.complaints)
    # Cross-checks need valid blocks, but one faulty block must not hide faults between others.
    blocks = _blocks(document.data, {c.path[0] for c in said if c.path}, file.parent)
    said += unheard(list(cross_checks(blocks, known)), said)
    if said or case is None:
        errors = [document.error(complaint) for complaint in said]
        if not document.lines:  # made in Python: there is no line to point to
            errors = [replace(error, line=None) for error in errors]
        raise InputErrors(sorted(errors, key=lambda error: error.line or 0))
    return case.opened_from(file)


def _validated(document: Document, folder: Path) -> tuple[Case | None, list[Complaint]]:
    try:
        return Case.model_validate(document.data, context={"folder": folder}), []
    except ValidationError as error:
        return None, complaints_of(error)


def _blocks(data: dict[str, Any], bad: set[str | int], folder: Path) -> Blocks:
    """Blocks without a fault of their own, so that checks across blocks still run."""
    context = {"folder": folder}
    good: dict[str, Any] = {
        name: model.model_validate(data.get(name, {}), context=context)
        for name, model in SECTIONS.items()
        if name not in bad and (name in data or name not in NO_DEFAULT)}
    if "strategies" not in bad:
        names = data.get("strategies", STRATEGY_NAMES)
        good["strategies"] = TypeAdapter(tuple[str, ...]).validate_python(names)
    if "own_strategies" not in bad:
        good["own_strategies"] = TypeAdapter(tuple[OwnStrategy, ...]).validate_python(
            tuple(data.get("own_strategies", ())), context=context)
    return Blocks(**good)


def given(case: Case) -> dict[str, Any]:
    """The case as plain data with only the keys that were given: as the author would write it."""
    return _named(case, case.model_dump(mode="json", exclude_unset=True, exclude_none=True))


def resolved(case: Case) -> dict[str, Any]:
    """The case as plain data with every default filled in, for the run folder.

    Keys without a value are left out, so that the data written as YAML load again. File names
    stay relative to the case file's folder where they lie inside it.
    """
    data = case.model_dump(mode="json", exclude_none=True)
    # Keys with defaults that would be refused when the data are read again.
    if case.panel.outline == "disc":
        data["panel"].pop("edges")
    if case.dent is not None and case.dent.blows:
        data.pop("history")  # the blows are the history
    return _named(case, data)


def _named(case: Case, data: dict[str, Any]) -> dict[str, Any]:
    """Data files by their names from the case file's folder, where they lie inside it."""
    for path, file in case.data_files().items():
        block: Any = data
        for key in path[:-1]:
            block = block[key]
        inside = file.is_relative_to(case.folder)
        block[path[-1]] = (file.relative_to(case.folder) if inside else file).as_posix()
    return data
