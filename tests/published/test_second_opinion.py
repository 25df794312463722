"""The second opinion can fail, and says what is missing.

Plates held differently, or a sheet a little thinner, must fall out of the limits that the equal
plate meets; whether the equal plate meets them is asked in test_problems.py.
"""

from __future__ import annotations

import builtins
from dataclasses import replace

import pytest

from simkit.verification.problems import second_opinion as opinion


def test_a_stiffness_wrong_by_0_15_per_cent_is_told_from_the_right_one(monkeypatch):
    pytest.importorskip("skfem")
    monkeypatch.setattr(opinion, "PLATES", (opinion.PLATES[1],))
    (right,) = opinion.argyris_deflections(24, 3, 12)
    plain = opinion.elastic_sheet
    monkeypatch.setattr(opinion, "elastic_sheet",
                        lambda name, E, nu: plain(name, E * 1.0005**3, nu))
    (wrong,) = opinion.argyris_deflections(24, 3, 12)
    assert right.ok
    assert not wrong.ok
    # as of a sheet 0.05 % too thick
    assert wrong.error_pct - right.error_pct == pytest.approx(-0.15, rel=0.01)


def test_plates_held_differently_do_not_agree(monkeypatch):
    pytest.importorskip("skfem")
    hinged = opinion.PLATES[1]
    clamped = replace(hinged, sides=("clamped", *hinged.sides[1:]))
    monkeypatch.setattr(opinion, "PLATES", (hinged,))
    wanted = opinion.library_deflections("Argyris", 6)
    monkeypatch.setattr(opinion, "PLATES", (clamped,))
    assert opinion.shell_deflections(12, 3)[0] < 0.95 * wanted[0]


def test_without_the_library_one_clear_line(monkeypatch):
    real = builtins.__import__

    def without(name, *more, **named):
        if name == "skfem":
            raise ImportError(name)
        return real(name, *more, **named)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(opinion.LibraryMissing, match=r"skipped.*pip install scikit-fem"):
        opinion.second_opinion()
