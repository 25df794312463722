"""Small lints over syntax trees, each giving a list of offenders as readable lines."""

from __future__ import annotations

import ast
from collections.abc import Iterable, Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
LONGEST_FILE = 330
LONGEST_FUNCTION = 70
HEAVY = {"PIL", "distributed", "jinja2", "matplotlib", "meshio", "pyarrow", "pypardiso", "pyvista",
         "rich", "skfem", "weasyprint"}
"""Packages that may be imported inside a function: optional, or slow to load."""

Function = ast.FunctionDef | ast.AsyncFunctionDef


def sources(*folders: str) -> list[Path]:
    """Python files below the folders, in order."""
    return sorted(file for folder in folders for file in (ROOT / folder).rglob("*.py"))


def text_files() -> list[Path]:
    """Files that people read: code, cases, docs and build files; not tables of numbers."""
    folders = ("simkit", "tests", "cases", "docs", "benchmarks")
    endings = {".py", ".md", ".yaml", ".toml", ".csv", ".json", ".txt"}
    found = [ROOT / "README.md", ROOT / "DEVELOPERS.md", ROOT / "pyproject.toml", ROOT / ".ci/run"]
    for folder in folders:
        found += [f for f in (ROOT / folder).rglob("*") if f.suffix in endings]
    return sorted(f for f in found if "__pycache__" not in f.parts)


def functions(tree: ast.AST) -> Iterator[Function]:
    """Every function and method, nested ones too."""
    return (node for node in ast.walk(tree) if isinstance(node, Function))


def name_of(node: ast.expr) -> str:
    """Dotted name of what is called, without subscripts: `pytest.raises`, `check`, `x.y.z`."""
    if isinstance(node, ast.Attribute):
        return f"{name_of(node.value)}.{node.attr}"
    return node.id if isinstance(node, ast.Name) else ""


def long_functions(code: str) -> list[str]:
    """Functions longer than LONGEST_FUNCTION lines, decorators not counted."""
    return [f"{node.name}: {length} lines" for node in functions(ast.parse(code))
            if (length := (node.end_lineno or 0) - node.lineno + 1) > LONGEST_FUNCTION]


def undocumented(code: str) -> list[str]:
    """Public module, classes, functions and methods without a docstring."""
    tree = ast.parse(code)
    missing = [] if ast.get_docstring(tree) or not tree.body else ["module"]
    return missing + list(_undocumented(tree.body, ""))


def _undocumented(body: Iterable[ast.stmt], prefix: str) -> Iterator[str]:
    for node in body:
        if not isinstance(node, Function | ast.ClassDef) or node.name.startswith("_"):
            continue
        if not ast.get_docstring(node) and not _setter(node):
            yield prefix + node.name
        if isinstance(node, ast.ClassDef):
            yield from _undocumented(node.body, f"{prefix}{node.name}.")


def _setter(node: ast.stmt) -> bool:
    decorators = getattr(node, "decorator_list", [])
    return any(name_of(d).endswith((".setter", ".overload", "overload")) for d in decorators)


def hidden_imports(code: str) -> list[str]:
    """Packages imported inside functions though they are not HEAVY."""
    found = []
    for function in functions(ast.parse(code)):
        for node in ast.walk(function):
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom):
                names = ["." * node.level + (node.module or "")]
            else:
                continue
            found += [f"{function.name}: {name}" for name in names
                      if name.split(".")[0] not in HEAVY]
    return found


def uncached_kernels(code: str) -> list[str]:
    """numba functions compiled with a signature (at import) or without cache=True."""
    found = []
    for function in functions(ast.parse(code)):
        for decorator in function.decorator_list:
            call = decorator.func if isinstance(decorator, ast.Call) else decorator
            if name_of(call).split(".")[-1] not in ("njit", "jit", "vectorize", "guvectorize"):
                continue
            keywords = decorator.keywords if isinstance(decorator, ast.Call) else []
            cached = any(k.arg == "cache" and isinstance(k.value, ast.Constant) and k.value.value
                         for k in keywords)
            if not cached or (isinstance(decorator, ast.Call) and decorator.args):
                found.append(function.name)
    return found


def tests_without_check(codes: Iterable[str]) -> list[str]:
    """Test functions that assert nothing, neither themselves nor by a helper they call.

    Helpers are looked for by name in all the codes. An assertion about a constant is none.
    """
    trees = [ast.parse(code) for code in codes]
    named = [node for tree in trees for node in functions(tree)]
    asserting: set[str] = set()
    while True:
        more = {node.name for node in named if _checks(node, asserting)} - asserting
        if not more:
            break
        asserting |= more
    return [node.name for node in named
            if node.name.startswith("test_") and not _checks(node, asserting)]


def _checks(function: Function, asserting: set[str]) -> bool:
    for node in ast.walk(function):
        if isinstance(node, ast.Assert) and not isinstance(node.test, ast.Constant):
            return True
        if isinstance(node, ast.Call):
            name = name_of(node.func)
            last = name.split(".")[-1]
            if name in ("pytest.raises", "pytest.warns", "pytest.fail"):
                return True
            if last.startswith("assert_") or (last in asserting and last != function.name):
                return True
    return False
