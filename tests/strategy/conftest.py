"""The dent that the strategies are tried on, struck once."""

from __future__ import annotations

import pytest
from dents import case_with, struck

from simkit.repair.session import Session


@pytest.fixture(scope="session")
def dented() -> Session:
    return struck(case_with())


@pytest.fixture(scope="session")
def lifted(dented: Session) -> Session:
    """The same after its main lift."""
    return dented.push("ball-20", 5.0, 0.0)
