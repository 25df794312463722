"""Risks of a step. Truth: EXACT, a clamped circular plate under a small even load, Tabor's print.

Plate: D (1/r (r f)')' = Q with Q = P r / (2 pi c^2) under the load and P / (2 pi r) beyond it,
f = 0 at the middle and at the rim (Kirchhoff's theory, derived and integrated here); the finger's
stiffness is force over the mean give under it.
"""

from __future__ import annotations

import numpy as np
import pytest

from simkit.case import load_case
from simkit.repair.operations import Operation
from simkit.repair.risks import finger_stiffness, print_mm, ring_mm
from simkit.repair.session import Session, open_session
from simkit.repair.workpiece import make_workpiece
from simkit.tool.bodies import ball, flat_nose, rounded_cylinder

CASE = """\
format: 1
title: Disc
about: Invented for the tests.
panel: {surface: flat, outline: disc, radius_mm: 80, thickness_mm: 0.8, grade: DC04, edge: held}
mesh: {fine_mm: 4, coarse_mm: 8, layers: 3}
kit: {tabs: [round-20], tips: [ball-3, flat-12], glue: {name: strong, tension_MPa: 20}}
"""


@pytest.fixture(scope="module")
def virgin(tmp_path_factory: pytest.TempPathFactory) -> Session:
    file = tmp_path_factory.mktemp("case") / "case.yaml"
    file.write_text(CASE, encoding="utf-8")
    work = make_workpiece(load_case(file))
    return open_session(work, work.model.virgin())


def mean_give(radius: float, over: float, rigidity: float) -> float:
    """Mean give under an even load of 1 N over a disc at the middle of a clamped plate, mm."""
    def turned(r, c1):
        load = np.where(r < over, r**3 / (16.0 * np.pi * over**2),
                        r * np.log(np.maximum(r, over) / over) / (4.0 * np.pi)
                        + over**2 / (16.0 * np.pi * r))
        return load / rigidity + c1 * r

    c1 = -float(turned(np.array(radius), 0.0)) / radius
    r = np.linspace(1e-6, radius, 200001)
    f = turned(r, c1)
    give = np.concatenate([[0.0], np.cumsum(0.5 * (f[1:] + f[:-1]) * np.diff(r))])
    give = give - give[-1]
    inside = r < over
    return abs(float((give[inside] * r[inside]).sum() / r[inside].sum()))


def test_finger_stiffness_of_a_clamped_plate(virgin: Session):
    sheet = virgin.work.model.sheet
    rigidity = sheet.E_MPa * 0.8**3 / (12.0 * (1.0 - sheet.nu**2))
    exact = 1.0 / mean_give(80.0, 7.5, rigidity)
    # middle by the usual formula P / (64 pi D) (4 a^2 - 4 c^2 ln(a/c) - 3 c^2), MEMORY
    c, a = 7.5, 80.0
    formula = 64 * np.pi * rigidity / (4 * a * a - 4 * c * c * np.log(a / c) - 3 * c * c)
    assert exact == pytest.approx(formula, rel=0.03)
    found = finger_stiffness(virgin.work.model, virgin.state, 0.0, 0.0)
    assert found == pytest.approx(exact, rel=0.01)


def test_print_of_tips():
    """A ball of 3 mm at 300 N on 150 MPa: area F / 3s = 0.667 mm^2, depth a^2 / 2R = 0.0354 mm."""
    assert print_mm(ball(3.0), 300.0, 150.0) == pytest.approx(0.03537, rel=1e-3)
    assert print_mm(flat_nose(12.0, 3.0), 300.0, 150.0) == 0.0
    bar = rounded_cylinder(6.0, 40.0)
    assert print_mm(bar, 300.0, 150.0) == pytest.approx((0.6667 / 28.0) ** 2 / 48.0, rel=1e-3)
    assert print_mm(ball(6.0), 300.0, 150.0) == pytest.approx(0.5 * 0.03537, rel=1e-3)


def test_row_tells_the_risks_of_a_sharp_push(virgin: Session):
    pushed = virgin.push("ball-3", 0.0, 0.0, to_mm=0.8)
    row = pushed.now.row
    assert row.paint_pct == pytest.approx(100.0 * row.max_face_strain / 0.05, rel=1e-12)
    assert row.thinning_pct > 0.0
    assert row.mark_mm == pytest.approx(print_mm(ball(3.0), row.force_N, float(
        virgin.work.model.sheet.tension(0.0))), rel=1e-12)
    assert "print of the tip" in row.risks
    assert np.isnan(row.ring_mm)
    assert row.finger_N_per_mm > 0.0


def test_ring_round_a_tab_is_what_stands_proud(virgin: Session):
    pulled = virgin.apply(Operation("pull", "round-20", 0.0, 0.0, 0.5))
    row, before, after = pulled.now.row, virgin.now.field, pulled.now.field
    x, y = np.meshgrid(after.x_mm, after.y_mm)
    r = np.hypot(x, y)
    ring = after.d_mm[(r > 10.0) & (r < 25.0)]
    assert row.ring_mm == pytest.approx(float(np.nanmax(ring)), rel=1e-9)
    assert row.ring_mm > 0.1
    assert "ring" in row.risks
    assert ring_mm(after, before, 0.0, 0.0, 10.0) == 0.0


def test_searches_leave_the_finger_out(virgin: Session):
    row = virgin.apply(Operation("push", "flat-12", 0.0, 0.0, 0.3), quick=True).now.row
    assert np.isnan(row.finger_N_per_mm)
    assert virgin.now.row.risks == ""
