"""YAML 1.2 text to plain data, with the line of every key and all faults of form together."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.error import MarkedYAMLError, YAMLError
from ruamel.yaml.nodes import MappingNode, Node, ScalarNode, SequenceNode

from simkit.errors import InputError
from simkit.intake import read_input

KeyPath = tuple[str | int, ...]

LARGEST_FILE = 200_000
CORE = "tag:yaml.org,2002:"
PLAIN_TAGS = {CORE + tag for tag in ("str", "int", "float", "bool", "null", "seq", "map",
                                     "timestamp")}


def dotted(path: KeyPath) -> str:
    """Key path as text: ('kit', 'tabs', 0, 'name') -> 'kit.tabs[0].name'."""
    text = ""
    for part in path:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else part
    return text


@dataclass(frozen=True)
class Complaint:
    """One fault at one key, not yet tied to a file and line."""

    path: KeyPath
    what: str
    expected: str = ""
    line: int | None = None


@dataclass
class Document:
    """Plain data (dict, tuple, str, float, int, bool) of a YAML file and their line numbers.

    Attributes
    ----------
    file : name of the file as the user gave it.
    data : contents; lists are tuples.
    lines : line, counted from 1, of every key and list item.
    complaints : faults of form (duplicate keys, empty values, tags, anchors).
    """

    file: str
    data: dict[str, Any] = field(default_factory=dict)
    lines: dict[KeyPath, int] = field(default_factory=dict)
    complaints: list[Complaint] = field(default_factory=list)

    def error(self, complaint: Complaint) -> InputError:
        """The complaint with file and line; a key that is missing gets its parent's line."""
        line, path = complaint.line, complaint.path
        while line is None and path:
            line = self.lines.get(path)
            path = path[:-1]
        return InputError(complaint.what, complaint.expected, self.file,
                          line or self.lines.get((), 1), dotted(complaint.path) or None)


def case_file(path: Path) -> Path:
    """The case file meant by a file or a folder that holds `case.yaml`."""
    wanted = "expected a case file or a folder that holds case.yaml"
    try:
        if path.is_dir():
            if not (path / "case.yaml").is_file():
                raise InputError("folder without case.yaml", wanted, str(path))
            return path / "case.yaml"
        if not path.exists():
            raise InputError("no such file or folder", wanted, str(path))
        if not path.is_file():
            raise InputError("not a plain file", "expected a case file (YAML)", str(path))
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror})", wanted, str(path)) from None
    return path


def read_text(file: Path) -> str:
    """Text of a case file; InputError when it cannot be read or is no text."""
    raw = read_input(file, LARGEST_FILE, "expected a case file (YAML), under 200 kB")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise InputError("not UTF-8 text", "expected a case file (YAML) saved as UTF-8",
                         str(file), line) from None
    if "\0" in text:
        raise InputError("binary data, not text", "expected a case file (YAML)", str(file), 1)
    return text


def read_document(file: Path) -> Document:
    """Read a case file; InputError when its form is broken or it holds no block of keys."""
    text = read_text(file)
    for number, row in enumerate(text.splitlines(), start=1):
        if row.startswith("%"):
            raise InputError(f"'{row[:40]}' found", "expected YAML 1.2 without % lines",
                             str(file), number)
    root = _compose(text, file)
    if root is None:
        raise InputError("empty file", "expected keys, first 'format: 1'", str(file), 1)
    document = Document(str(file))
    document.lines[()] = root.start_mark.line + 1
    if not isinstance(root, MappingNode):
        sort = "a list" if isinstance(root, SequenceNode) else "a single text"
        raise InputError(f"{sort} found", "expected keys, first 'format: 1'", str(file),
                         document.lines[()])
    _Reader(document).mapping(root, ())
    return document


def _compose(text: str, file: Path) -> Node | None:
    """YAML node tree, or InputError with the line at which the form breaks."""
    try:
        return YAML().compose(text)
    except MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        problem = (error.problem or error.context or "broken").splitlines()[0]
        raise InputError(f"not valid YAML: {problem}", _remedy(problem), str(file),
                         mark.line + 1 if mark else None) from None
    except YAMLError as error:
        raise InputError(f"not valid YAML: {str(error).splitlines()[0]}", "", str(file)) from None
    except RecursionError:
        raise InputError("nested too deeply", "expected a case file", str(file)) from None


def _remedy(problem: str) -> str:
    """What to do about a common fault of form."""
    if "\\t" in problem:
        return "indent with spaces, not tabs"
    if "mapping values are not allowed" in problem:
        return "one 'key: value' a line; put text with a colon in quotes"
    if "another document" in problem:
        return "one case a file, without '---' between"
    return "check indentation, brackets and quotes around this line"


class _Reader:
    """Converts the node tree to the data, lines and complaints of a Document."""

    def __init__(self, document: Document) -> None:
        self.document = document

    def complain(
        self, path: KeyPath, node: Node, what: str, expected: str, own_line: bool = False
    ) -> None:
        """Note a fault, in the line of its key or (own_line) of the node itself."""
        line = node.start_mark.line + 1
        if not own_line:
            line = self.document.lines.get(path, line)
        self.document.complaints.append(Complaint(path, what, expected, line))

    def value(self, node: Node, path: KeyPath) -> Any:
        """Plain value of a node; complains about what case files do not use."""
        if node.anchor is not None:
            self.complain(path, node, f"anchor or alias '{node.anchor}' found",
                          "write the value out wherever it is used")
            return None
        tag = str(node.tag)
        if tag not in PLAIN_TAGS:
            self.complain(path, node, f"tag '{tag.removeprefix(CORE)}' found",
                          "expected a plain value without a tag")
            return None
        if isinstance(node, MappingNode):
            return self.mapping(node, path)
        if isinstance(node, SequenceNode):
            return self.sequence(node, path)
        return self.scalar(node, path)

    def mapping(self, node: MappingNode, path: KeyPath) -> dict[str, Any]:
        plain: dict[str, Any] = {}
        for key_node, value_node in node.value:
            if not isinstance(key_node, ScalarNode) or key_node.tag != CORE + "str":
                shown = key_node.value if isinstance(key_node, ScalarNode) else "a list or block"
                self.complain(path, key_node, f"key {shown!r} found", "expected a word as key",
                              True)
                continue
            key, here = key_node.value, (*path, key_node.value)
            if key in plain:
                self.complain(here, key_node, "key given twice",
                              f"it stands in line {self.document.lines[here]} already", True)
                continue
            self.document.lines[here] = key_node.start_mark.line + 1
            plain[key] = self.value(value_node, here)
        if path == ():
            self.document.data = plain
        return plain

    def sequence(self, node: SequenceNode, path: KeyPath) -> tuple[Any, ...]:
        plain = []
        for index, item in enumerate(node.value):
            self.document.lines[(*path, index)] = item.start_mark.line + 1
            plain.append(self.value(item, (*path, index)))
        return tuple(plain)

    def scalar(self, node: Node, path: KeyPath) -> Any:
        tag, text = str(node.tag).removeprefix(CORE), str(node.value)
        if tag == "null":
            self.complain(path, node, "no value found", "give a value or leave the key out")
            return None
        if tag == "bool":
            return text.lower() == "true"
        if tag not in ("int", "float"):
            return text
        try:
            return _number(text, tag)
        except (ValueError, OverflowError):
            self.complain(path, node, f"'{text[:40]}' found", "expected a number that can be read")
            return None


def _number(text: str, tag: str) -> int | float:
    """Number of a YAML 1.2 scalar; ValueError or OverflowError when there is none."""
    # YAML 1.1 allows 1_000; ruamel's YAML 1.2 resolver accepts it too.
    digits = text.replace("_", "").lower()
    if tag == "float":
        return float(digits.replace(".inf", "inf").replace(".nan", "nan"))
    if digits.lstrip("+-").startswith(("0x", "0o", "0b")):
        value = int(digits, 0)
    else:
        value = int(digits)
    # Raises OverflowError for an integer that no float can hold.
    float(value)
    return value
