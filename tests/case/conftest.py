"""Writes case files for the tests of this folder."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest


@pytest.fixture
def write(tmp_path: Path) -> Callable[[str], Path]:
    """Writes text as case.yaml into a fresh folder."""

    def write_case(text: str) -> Path:
        file = tmp_path / "case.yaml"
        file.write_text(text, encoding="utf-8")
        return file

    return write_case
