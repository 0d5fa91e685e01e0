"""Shapes with corners, blurred exactly: regular polygons and rectangles with round corners, and small circles.

The grey of a blurred corner does not depend on the distance to the edge alone. These models work out the
blurred area itself and hand the engine the distance at which a straight edge would show the same grey.
Places are part-frame px; z counts from the feature's middle.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import chndtr, i0e, i1e, ndtr, ndtri

from ctrecon.core.frames import Floats
from ctrecon.fitting.solve import Samples

__all__ = ["BlurredCircle", "BlurredPolygon", "BlurredRectangle", "OvalModel"]

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(9)
_REACH = 3.6
_LEAST = 1e-8


def _as_distance(inside: Floats, blur: float) -> tuple[Floats, Floats]:
    """Distance at which a straight edge shows this grey, and its derivative by grey."""
    t = ndtri(np.clip(inside, _LEAST, 1 - _LEAST))
    return blur * t, blur * np.sqrt(2 * np.pi) * np.exp(0.5 * t * t)


def _rounding(corner: float, most: float) -> tuple[float, float, float]:
    """Return the radius a corner has, at most `most`, and its derivatives by what is asked for and by the most."""
    limit = max(float(most), 0.5)
    if abs(corner) > limit:
        return limit, 0.0, float(most > 0.5)
    return abs(float(corner)), float(np.copysign(1.0, corner)), 0.0


def _corner(s: Floats, t: Floats, apex: Floats, half: float, radius: float, blur: float) -> tuple[Floats, ...]:
    """Blurred area of a round corner whose bisector is t; derivatives by s, t (= minus by apex) and radius.

    Integrated along t exactly, along s by Gauss and Legendre's rule on either side of the
    bisector, where a sharp corner has its kink.
    """
    tangent, cosine = np.tan(half), np.cos(half)
    kink = np.clip(-s / blur, -_REACH, _REACH)[:, None]
    left, right = (kink + _REACH) / 2, (_REACH - kink) / 2
    off = np.hstack([left * (_NODES + 1) - _REACH, kink + right * (_NODES + 1)])
    weights = np.hstack([left * _WEIGHTS, right * _WEIGHTS]) * np.exp(-0.5 * off * off)
    weights /= weights.sum(axis=1, keepdims=True)
    at = s[:, None] + blur * off
    side = np.abs(at)
    bend = side < radius * np.sin(half)
    root = np.sqrt(np.maximum(radius**2 - np.minimum(side, radius) ** 2, 1e-12))
    height = np.where(bend, root - radius / cosine, -side * tangent)
    slope = np.where(bend, -at / root, -np.sign(at) * tangent)
    z = (apex[:, None] + height - t[:, None]) / blur
    bell = weights * np.exp(-0.5 * np.minimum(z * z, 80)) / (np.sqrt(2 * np.pi) * blur)
    by_t = -bell.sum(axis=1)
    by_radius = (bell * np.where(bend, radius / root - 1 / cosine, 0.0)).sum(axis=1)
    return (ndtr(z) * weights).sum(axis=1), (bell * slope).sum(axis=1), by_t, by_radius


@dataclass(frozen=True)
class BlurredPolygon:
    """A regular polygon with round corners; four sides make the square."""

    hole: bool
    sides: int
    names: tuple[str, ...] = ("x", "y", "inradius", "turn", "corner", "slope_x", "slope_y", "growth")

    def distance(self, p: Floats, s: Samples, blur_px: float) -> tuple[Floats, Floats]:
        """Distance of a straight edge of the same grey; growth is that of the inradius."""
        x, y, inradius, turn, corner, slope_x, slope_y, growth = p
        dx, dy = s.x - x - slope_x * s.z, s.y - y - slope_y * s.z
        pitch, half = 2 * np.pi / self.sides, np.pi / self.sides
        angle = (np.floor((np.arctan2(dy, dx) - turn) / pitch) + 0.5) * pitch + turn
        c, n = np.cos(angle), np.sin(angle)
        across, along = -dx * n + dy * c, dx * c + dy * n
        apex = (inradius + growth * s.z) / np.cos(half)
        round_to, by_corner, by_limit = _rounding(corner, inradius)
        inside, by_s, by_t, by_r = _corner(across, along, apex, half, round_to, blur_px)
        d, scale = _as_distance(inside, blur_px)
        by_x, by_y = by_s * n - by_t * c, -by_s * c - by_t * n
        by_in = -by_t / np.cos(half) + by_limit * by_r
        by_turn = -by_s * along + by_t * across
        jac = scale[:, None] * np.column_stack(
            [by_x, by_y, by_in, by_turn, by_corner * by_r, by_x * s.z, by_y * s.z, -by_t / np.cos(half) * s.z]
        )  # fmt: skip
        return (-d, -jac) if self.hole else (d, jac)


@dataclass(frozen=True)
class BlurredRectangle:
    """A rectangle with round corners."""

    hole: bool
    names: tuple[str, ...] = ("x", "y", "a", "b", "turn", "corner", "slope_x", "slope_y", "growth")

    def distance(self, p: Floats, s: Samples, blur_px: float) -> tuple[Floats, Floats]:
        """Distance of a straight edge of the same grey; growth is that of both widths."""
        x, y, a, b, turn, corner, slope_x, slope_y, growth = p
        c, n = np.cos(turn), np.sin(turn)
        dx, dy = s.x - x - slope_x * s.z, s.y - y - slope_y * s.z
        u, v = dx * c + dy * n, -dx * n + dy * c
        su, sv = np.where(u < 0, -1.0, 1.0), np.where(v < 0, -1.0, 1.0)
        over_u, over_v = np.abs(u) - (a + growth * s.z) / 2, np.abs(v) - (b + growth * s.z) / 2
        r2 = np.sqrt(2)
        round_to, by_corner, by_limit = _rounding(corner, min(a, b) / 2)
        by_limit_a, by_limit_b = (by_limit, 0.0) if a < b else (0.0, by_limit)
        inside, by_s, by_t, by_r = _corner(
            (over_v - over_u) / r2, (over_u + over_v) / r2, np.zeros(len(u)), np.pi / 4, round_to, blur_px
        )
        d, scale = _as_distance(inside, blur_px)
        by_ou, by_ov = (by_t - by_s) / r2, (by_t + by_s) / r2
        by_u, by_v = by_ou * su, by_ov * sv
        by_x, by_y = -by_u * c + by_v * n, -by_u * n - by_v * c
        jac = scale[:, None] * np.column_stack([
            by_x, by_y, (by_limit_a * by_r - by_ou) / 2, (by_limit_b * by_r - by_ov) / 2, by_u * v - by_v * u,
            by_corner * by_r, by_x * s.z, by_y * s.z, -(by_ou + by_ov) / 2 * s.z,
        ])  # fmt: skip
        return (-d, -jac) if self.hole else (d, jac)


@dataclass(frozen=True)
class BlurredCircle:
    """A circle of any size: its blurred area follows a noncentral chi-square law."""

    hole: bool
    names: tuple[str, ...] = ("x", "y", "radius", "slope_x", "slope_y", "growth")

    def distance(self, p: Floats, s: Samples, blur_px: float) -> tuple[Floats, Floats]:
        """Distance of a straight edge of the same grey."""
        x, y, radius, slope_x, slope_y, growth = p
        dx, dy = s.x - x - slope_x * s.z, s.y - y - slope_y * s.z
        rho = np.maximum(np.hypot(dx, dy), 1e-6)
        at = np.maximum(radius + growth * s.z, 0.05)
        inside = chndtr((at / blur_px) ** 2, 2.0, (rho / blur_px) ** 2)
        d, scale = _as_distance(inside, blur_px)
        bell = at / blur_px**2 * np.exp(-0.5 * ((at - rho) / blur_px) ** 2)
        product = at * rho / blur_px**2
        by_rho, by_at = -bell * i1e(product), bell * i0e(product)
        by_x, by_y = -by_rho * dx / rho, -by_rho * dy / rho
        jac = scale[:, None] * np.column_stack([by_x, by_y, by_at, by_x * s.z, by_y * s.z, by_at * s.z])
        return (-d, -jac) if self.hole else (d, jac)


@dataclass(frozen=True)
class OvalModel:
    """An ellipse with axes a and b (whole lengths); blur pulls it inwards by half its curvature times blur squared."""

    hole: bool
    names: tuple[str, ...] = ("x", "y", "a", "b", "turn")

    def distance(self, p: Floats, s: Samples, blur_px: float) -> tuple[Floats, Floats]:
        """Distance to the half-height edge, exact to first order near it; derivatives by differences."""

        def at(q: Floats) -> Floats:
            c, n = np.cos(q[4]), np.sin(q[4])
            dx, dy = s.x - q[0], s.y - q[1]
            u, v = dx * c + dy * n, -dx * n + dy * c
            a, b = max(float(q[2]) / 2, 0.5), max(float(q[3]) / 2, 0.5)
            level = np.maximum(np.hypot(u / a, v / b), 1e-6)
            eu, ev = u / level, v / level  # the point of the outline in the same direction
            steep = np.maximum(np.hypot(eu / a**2, ev / b**2), 1e-3 / (a + b))
            bend = 1 / (a * b) ** 2 / steep**3
            return np.asarray((1 - level) / steep - blur_px**2 / 2 * bend)

        d, step = at(p), 1e-4
        jac = np.column_stack([(at(p + step * e) - at(p - step * e)) / (2 * step) for e in np.eye(5)])
        return (-d, -jac) if self.hole else (d, jac)
