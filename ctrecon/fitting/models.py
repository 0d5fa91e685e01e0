"""Shapes run along the part axis, as grey-value models: round, rectangular, polygonal, and end faces.

Places are part-frame px (mm over the grid's pitch); z counts from the feature's middle.
"""

from dataclasses import dataclass

import numpy as np

from ctrecon.core.frames import Floats
from ctrecon.fitting.solve import Samples

__all__ = ["FaceModel", "PolygonModel", "RectangleModel", "RoundModel", "SlotModel"]


@dataclass(frozen=True)
class RoundModel:
    """A round feature: centre at mid-depth, radius, slope of its axis, taper (radius per depth)."""

    hole: bool
    names: tuple[str, ...] = ("x", "y", "radius", "slope_x", "slope_y", "growth")

    def distance(self, p: Floats, s: Samples, blur_px: float) -> tuple[Floats, Floats]:
        """Distance to the half-height edge; blur pulls it towards the centre by σ²/2R."""
        x, y, radius, slope_x, slope_y, growth = p
        dx = s.x - x - slope_x * s.z
        dy = s.y - y - slope_y * s.z
        rho = np.maximum(np.hypot(dx, dy), 1e-9)
        at = np.maximum(radius + growth * s.z, 0.5)
        pull = blur_px**2 / (2 * at)
        d = at - pull - rho
        by_radius = 1 + pull / at
        jac = np.column_stack([dx / rho, dy / rho, by_radius, s.z * dx / rho, s.z * dy / rho, s.z * by_radius])
        return (-d, -jac) if self.hole else (d, jac)


@dataclass(frozen=True)
class RectangleModel:
    """Flats of a square, rectangle or slot: centre, widths a and b, turn (radians), slopes, growth of both widths."""

    hole: bool
    names: tuple[str, ...] = ("x", "y", "a", "b", "turn", "slope_x", "slope_y", "growth")

    def distance(self, p: Floats, s: Samples, blur_px: float) -> tuple[Floats, Floats]:
        """Distance to the nearest flat; corners are left out of the samples beforehand."""
        x, y, a, b, turn, slope_x, slope_y, growth = p
        c, n = np.cos(turn), np.sin(turn)
        dx = s.x - x - slope_x * s.z
        dy = s.y - y - slope_y * s.z
        u, v = dx * c + dy * n, -dx * n + dy * c
        du = (a + growth * s.z) / 2 - np.abs(u)
        dv = (b + growth * s.z) / 2 - np.abs(v)
        on_u = du < dv
        d = np.where(on_u, du, dv)
        su, sv = np.sign(u), np.sign(v)
        by_x = np.where(on_u, su * c, -sv * n)
        by_y = np.where(on_u, su * n, sv * c)
        by_turn = np.where(on_u, -su * v, sv * u)
        jac = np.column_stack([
            by_x, by_y, np.where(on_u, 0.5, 0.0), np.where(on_u, 0.0, 0.5), by_turn, s.z * by_x, s.z * by_y, s.z / 2,
        ])  # fmt: skip
        return (-d, -jac) if self.hole else (d, jac)


@dataclass(frozen=True)
class SlotModel:
    """A slot with round ends: centre, overall length a, width b, turn of a (radians), slopes."""

    hole: bool
    names: tuple[str, ...] = ("x", "y", "a", "b", "turn", "slope_x", "slope_y")

    def distance(self, p: Floats, s: Samples, blur_px: float) -> tuple[Floats, Floats]:
        """Distance to the flats and to the round ends, which blur pulls inwards by σ²/2R."""
        x, y, a, b, turn, slope_x, slope_y = p
        c, n = np.cos(turn), np.sin(turn)
        dx = s.x - x - slope_x * s.z
        dy = s.y - y - slope_y * s.z
        u, v = dx * c + dy * n, -dx * n + dy * c
        radius = b / 2
        beyond = np.abs(u) - (a / 2 - radius)
        end = beyond > 0
        rho = np.maximum(np.where(end, np.hypot(beyond, v), np.abs(v)), 1e-9)
        pull = np.where(end, blur_px**2 / (2 * max(radius, 0.5)), 0.0)
        d = radius - pull - rho
        du = np.where(end, -beyond * np.sign(u) / rho, 0.0)  # by u
        dv = np.where(end, -v / rho, -np.sign(v))  # by v
        by_x, by_y = -du * c + dv * n, -du * n - dv * c
        by_a = np.where(end, beyond / rho / 2, 0.0)
        by_b = 0.5 - by_a
        by_turn = du * v - dv * u
        jac = np.column_stack([by_x, by_y, by_a, by_b, by_turn, s.z * by_x, s.z * by_y])
        return (-d, -jac) if self.hole else (d, jac)


@dataclass(frozen=True)
class PolygonModel:
    """A regular polygon: centre, inradius, turn (radians), slopes."""

    hole: bool
    sides: int
    names: tuple[str, ...] = ("x", "y", "inradius", "turn", "slope_x", "slope_y")

    def distance(self, p: Floats, s: Samples, blur_px: float) -> tuple[Floats, Floats]:
        """Distance to the nearest side."""
        x, y, inradius, turn, slope_x, slope_y = p
        dx = s.x - x - slope_x * s.z
        dy = s.y - y - slope_y * s.z
        pitch = 2 * np.pi / self.sides
        angle = np.round((np.arctan2(dy, dx) - turn) / pitch) * pitch + turn
        c, n = np.cos(angle), np.sin(angle)
        d = inradius - (dx * c + dy * n)
        jac = np.column_stack([c, n, np.ones(len(d)), dx * n - dy * c, s.z * c, s.z * n])
        return (-d, -jac) if self.hole else (d, jac)


@dataclass(frozen=True)
class FaceModel:
    """An end face as a plane z = place + slope_x x + slope_y y (x, y from its middle); metal above or below."""

    metal_above: bool
    names: tuple[str, ...] = ("place", "slope_x", "slope_y")

    def distance(self, p: Floats, s: Samples, blur_px: float) -> tuple[Floats, Floats]:
        """Distance along depth, into the metal."""
        place, slope_x, slope_y = p
        d = s.z - place - slope_x * s.x - slope_y * s.y
        jac = np.column_stack([-np.ones(len(d)), -s.x, -s.y])
        return (d, jac) if self.metal_above else (-d, -jac)
