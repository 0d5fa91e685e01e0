"""The edge a cut arc leaves in a sound shape, sharp ends and blur included, and how far measured places are off it."""

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri

from ctrecon.core.frames import Floats
from ctrecon.shapes import Shape, inwards

__all__ = ["ReliefEdge", "both_sides"]

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(24)
_STEP = 1e-3
_ROUNDS = 12  # steps at most
_MOST_MOVE = 2.0  # px per step, so that the arc cannot leap
_LEAST = 1e-7


def both_sides(h: Floats, k: Floats, correlation: Floats) -> Floats:
    """Return the chance that two standard normal numbers of this correlation are below h and k.

    It is the blurred grey of a sharp corner whose two edges are h and k blurs away: the angle between their normals
    has the correlation as its cosine. Integrated over the angle (Z. Drezner and G. Wesolowsky, J. Statist. Comput.
    Simul. 35, 1990; from memory).
    """
    angle = np.arcsin(np.clip(correlation, -0.995, 0.995))
    at = 0.5 * angle[..., None] * (_NODES + 1)
    top = h[..., None] ** 2 + k[..., None] ** 2 - 2 * h[..., None] * k[..., None] * np.sin(at)
    inner = np.exp(-np.minimum(top / (2 * np.cos(at) ** 2), 80.0)) @ _WEIGHTS
    return np.asarray(ndtr(h) * ndtr(k) + inner * angle / (4 * np.pi))


@dataclass(frozen=True, eq=False)
class ReliefEdge:
    """Places (N, 2) of an edge beside a sound outside of known shape and blur (px)."""

    places: Floats
    shape: Shape
    blur: float

    def off(self, p: Floats) -> Floats:
        """Return how deep (px) each place is in the metal that a circle (x, y, radius) leaves of the shape."""
        mine = self._own()
        dx, dy = self.places[:, 0] - p[0], self.places[:, 1] - p[1]
        rho = np.maximum(np.hypot(dx, dy), 1e-6)
        radius = max(float(p[2]), 1.0)
        arc = rho - radius + self.blur**2 / (2 * radius)
        cosine = (dx * mine[1] + dy * mine[2]) / rho
        inside = both_sides(mine[0] / self.blur, arc / self.blur, cosine)
        far = np.abs(inside - 0.5) > 0.5 - 1e-6
        return np.where(far, np.minimum(mine[0], arc), self.blur * ndtri(np.clip(inside, _LEAST, 1 - _LEAST)))

    def _own(self) -> tuple[Floats, Floats, Floats]:
        d = self.shape.signed_distance(self.places) - self.shape.blur_pull(self.blur)
        gx, gy = inwards(self.shape, self.places).T
        size = np.maximum(np.hypot(gx, gy), 1e-8)
        return d, gx / size, gy / size

    def slopes(self, p: Floats) -> Floats:
        """Return the derivatives (N, 3) of `off`."""
        return np.column_stack([(self.off(p + h) - self.off(p - h)) / (2 * _STEP) for h in np.eye(3) * _STEP])

    def fitted(self, start: Floats, whiten: Floats, keep: Floats) -> Floats:
        """Return the circle (x, y, radius) nearest to the kept places, by Gauss and Newton with a pull to the start.

        `whiten` (M, M) turns the residuals of the kept places into independent ones of sd 1.
        """
        some = ReliefEdge(self.places[keep], self.shape, self.blur)
        p, best = start.astype(float), np.inf
        damp = 1e-3
        left = whiten @ some.off(p)
        best = float(left @ left)
        for _ in range(_ROUNDS):
            jac = whiten @ some.slopes(p)
            normal = jac.T @ jac + np.diag(np.full(3, 1 / 20.0**2))
            move = np.linalg.solve(normal + damp * np.diag(np.diag(normal)), -(jac.T @ left + (p - start) / 20.0**2))
            move = move / max(1.0, float(np.abs(move).max()) / _MOST_MOVE)
            tried = whiten @ some.off(p + move)
            if float(tried @ tried) < best:
                p, left, damp = p + move, tried, damp / 5
                gain, best = best - float(tried @ tried), float(tried @ tried)
                if gain < 1e-3:
                    break
            else:
                damp *= 20
                if damp > 1e4:
                    break
        return p
