"""All problems by name: in the size of the verification manual, and smaller for quick runs."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from simkit.verification.problems import (
    collapse,
    crown_sequences,
    identities,
    obstacle,
    plates,
    point_tests,
    reference_fe,
    second_opinion,
    sector_fe,
    strips,
    sze,
    trends,
)
from simkit.verification.problems.check import Check

Problem = Callable[[], list[Check]]

MANUAL: dict[str, Problem] = {
    "rigid-rotation": identities.rigid_rotation,
    "patch-test": identities.patch_test,
    "convergence-rates": identities.rates,
    "small-square-plate": plates.small_square,
    "small-circular-plate": plates.small_circular,
    "levy-square-plate": plates.levy_square,
    "von-karman-circles": plates.von_karman_circles,
    "scordelis-lo-roof": obstacle.scordelis_lo,
    "pinched-cylinder": obstacle.pinched_cylinder,
    "pinched-hemispheres": obstacle.pinched_hemisphere,
    "clamped-hypar": partial(obstacle.clamped_hypar, 40),
    "sphere-under-a-point": obstacle.sphere_point,
    "cantilever-shear": sze.cantilever_shear,
    "cantilever-moment": sze.cantilever_moment,
    "slit-annulus": sze.slit_annulus,
    "hemisphere-with-hole": sze.holed_hemisphere,
    "pinched-semicylinder": sze.pinched_semicylinder,
    "hinged-roof-snap-through": partial(sze.roof_checks, 12.7),
    "hinged-roof-snap-back": partial(sze.roof_checks, 6.35),
    "strip-springback": strips.strip_springback,
    "tension-and-stretch": point_tests.tension_and_stretch,
    "reversed-tension": point_tests.reversed_tension,
    "plastic-collapse": collapse.collapse,
    "plate-under-pressure": reference_fe.pressures,
    "plate-under-a-ball": partial(reference_fe.ball, sector_fe.PLATE),
    "cap-under-a-ball": partial(reference_fe.ball, sector_fe.CAP),
    "crown-sequences": crown_sequences.crown_sequences,
    "denting-at-400-N": trends.denting_at_400_N,
    "plates-by-scikit-fem": second_opinion.second_opinion,
}
"""Together about a minute on one core."""

QUICK: dict[str, Problem] = {
    **MANUAL,
    "small-square-plate": partial(plates.small_square, 40, 2, 0.5),
    "levy-square-plate": partial(plates.levy_square, 8),
    "von-karman-circles": partial(plates.von_karman_circles, 8),
    "clamped-hypar": obstacle.clamped_hypar,
    "slit-annulus": partial(sze.slit_annulus, 6, 48, 2),
    "hemisphere-with-hole": partial(sze.holed_hemisphere, 20, 3, levels=(0.1, 0.25, 0.5)),
    "pinched-semicylinder": partial(sze.pinched_semicylinder, 16, 16, 3, crowding=1.3,
                                    levels=(0.1, 0.2, 0.3)),
    "hinged-roof-snap-through": partial(sze.roof_checks, 12.7, 8, 3),
    "plastic-collapse": partial(collapse.collapse, 8),
    "hinged-roof-snap-back": partial(sze.roof_checks, 6.35, 8, 3),
}
"""The same problems; slow ones have fewer elements or load levels, and one has degree 2."""
