"""Where the eye and the lamps stand, seen from the panel: positions in mm, angles in degrees."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simkit.errors import InputError

Array = NDArray[np.float64]
MRAD_SEEN = 0.5
"""Visual angle from which a displaced line counts as seen: 0.5 mm at 1 m. The owner's working rule.
The eye resolves about 0.3 mrad (60 seconds of arc) and notices offsets of aligned lines from about
0.02 to 0.05 mrad; a threshold measured on painted panels was not found."""


@dataclass(frozen=True)
class Bench:
    """A board of parallel lamp lines and an eye, in the panel's axes (x right, y up, z outward).

    Attributes
    ----------
    eye_mm : (3,) place of the eye. board_mm : (3,) middle of the board.
    facing : (3,) unit normal of the board, towards the panel. along : (3,) unit, lamp lines.
    across : (3,) unit, from line to line. spacing_mm : between lines. lit : lit share of it.
    target_mm : (3,) point of the panel towards which eye and board are directed.
    """

    eye_mm: Array
    board_mm: Array
    facing: Array
    along: Array
    across: Array
    spacing_mm: float
    lit: float
    target_mm: Array

    @property
    def eye_distance_mm(self) -> float:
        """From the target to the eye."""
        return float(np.linalg.norm(self.eye_mm - self.target_mm))

    @property
    def lamp_distance_mm(self) -> float:
        """From the target to the board."""
        return float(np.linalg.norm(self.board_mm - self.target_mm))

    @property
    def seen_mm(self) -> float:
        """Shift of a line on the panel that counts as seen from the eye's place."""
        return 1e-3 * MRAD_SEEN * self.eye_distance_mm

    def words(self) -> str:
        """The set-up in one line."""
        return (f"eye at {self.eye_distance_mm:.0f} mm, lamp lines every {self.spacing_mm:g} mm at "
                f"{self.lamp_distance_mm:.0f} mm")


@dataclass(frozen=True)
class Pose:
    """Positions of panel, eye and lamps; the options of `--reflections`.

    Attributes
    ----------
    eye_mm, lamp_mm : distance of the eye and of the lamps from the panel.
    view_deg : angle between the line of sight and the panel's normal at the target.
    turn_deg : plan direction of the eye, from the x axis; -90 is below the panel in the picture.
    lines_deg : plan direction of the reflected lines at the target, from the x axis.
    tilt_x_deg, tilt_y_deg : the panel is turned by these about its x and y axes while eye and
        lamps stay.
    spacing_mm : distance from lamp line to lamp line. lit : share of it that is lit.
    """

    eye_mm: float = 1000.0
    lamp_mm: float = 1000.0
    view_deg: float = 30.0
    turn_deg: float = -90.0
    lines_deg: float = 90.0
    tilt_x_deg: float = 0.0
    tilt_y_deg: float = 0.0
    spacing_mm: float = 40.0
    lit: float = 0.5


def make_bench(pose: Pose, target_mm: Array, normal: Array) -> Bench:
    """Eye and lamps for a pose; the board is on the ray from the eye reflected at the target.

    Raises
    ------
    InputError : a length that is not positive, a view from behind.
    """
    for name in ("eye_mm", "lamp_mm", "spacing_mm"):
        if not 0.0 < getattr(pose, name) < 1e7:
            raise InputError(f"{name} {getattr(pose, name):g}", "a positive length, mm", key=name)
    if not 0.0 <= pose.view_deg < 85.0:
        raise InputError(f"view {pose.view_deg:g} degrees", "0 (straight on) to 85", key="view")
    if not 0.0 < pose.lit < 1.0:
        raise InputError(f"lit {pose.lit:g}", "a share between 0 and 1", key="lit")
    view, turn = np.radians(pose.view_deg), np.radians(pose.turn_deg)
    side = _tangent(np.array([np.cos(turn), np.sin(turn), 0.0]), normal)
    to_eye = np.cos(view) * normal + np.sin(view) * side
    to_board = np.cos(view) * normal - np.sin(view) * side
    angle = np.radians(pose.lines_deg)
    wanted = _tangent(np.array([np.cos(angle), np.sin(angle), 0.0]), normal)
    # Reflection reverses only the component along the normal: a line direction in the tangent plane
    # is unchanged. The board's lines are this direction, projected into the plane of the board.
    along = _tangent(wanted, to_board)
    # Turning the panel by R is the same as turning eye and lamps about the target by R^T.
    turned = _rotation(pose.tilt_x_deg, pose.tilt_y_deg).T
    across = np.cross(-to_board, along)
    return Bench(target_mm + turned @ (pose.eye_mm * to_eye),
                 target_mm + turned @ (pose.lamp_mm * to_board), turned @ -to_board,
                 turned @ along, turned @ across, pose.spacing_mm, pose.lit, target_mm)


def _tangent(direction: Array, normal: Array) -> Array:
    """Unit vector along the component of a direction that is perpendicular to a unit normal."""
    flat = direction - (direction @ normal) * normal
    length = float(np.linalg.norm(flat))
    if length < 1e-6:
        raise InputError("lamp lines point at the panel", "another direction of lines or view",
                         key="lines")
    return flat / length


def _rotation(about_x_deg: float, about_y_deg: float) -> Array:
    a, b = np.radians(about_x_deg), np.radians(about_y_deg)
    rx = np.array([[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]])
    ry = np.array([[np.cos(b), 0, np.sin(b)], [0, 1, 0], [-np.sin(b), 0, np.cos(b)]])
    return ry @ rx
