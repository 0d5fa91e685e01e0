"""Circle through points: algebraic start, then least squares of the radial distance."""

import numpy as np
from scipy.optimize import least_squares

from ctrecon.core.fit_result import FitFailed, ShapeFit
from ctrecon.core.frames import Floats

__all__ = ["circle_start", "fit_circle_points"]


def circle_start(points: Floats) -> tuple[float, float, float] | None:
    """Return (x, y, radius) of the Taubin circle, or None where the points lie in a line.

    References
    ----------
    G. Taubin, IEEE PAMI 13 (1991) 1115-1138; solved here through a singular value
    decomposition of the centred design matrix.
    """
    mean = points.mean(axis=0)
    centred = points - mean
    z = (centred**2).sum(axis=1)
    z_mean = z.mean()
    if not z_mean > 0:
        return None
    design = np.column_stack([(z - z_mean) / (2 * np.sqrt(z_mean)), centred])
    a = np.linalg.svd(design, full_matrices=False)[2][2]
    if abs(a[0]) < 1e-12:
        return None
    lead = a[0] / (2 * np.sqrt(z_mean))
    x, y = -a[1] / (2 * lead), -a[2] / (2 * lead)
    radius = float(np.sqrt(x * x + y * y + z_mean))
    return float(x + mean[0]), float(y + mean[1]), radius


def fit_circle_points(points: Floats) -> ShapeFit | FitFailed:
    """Fit a circle by least squares of the radial distance.

    Parameters
    ----------
    points : (N, 2) array
        At least three points, any unit.

    Returns
    -------
    ShapeFit or FitFailed
        Names x, y, radius; covariance s²(JᵀJ)⁻¹ with s² = SSR/(N - 3) (unit weights
        where N = 3); `rms` is sqrt(SSR/N).

    Examples
    --------
    >>> fit = fit_circle_points(np.array([[1.0, 0.0], [0.0, 1.0], [-1.0, 0.0], [0.0, -1.0]]))
    >>> [round(float(v), 6) + 0.0 for v in fit.values]
    [0.0, 0.0, 1.0]
    """
    points = np.asarray(points, dtype=float)
    if points.ndim != 2 or points.shape[1] != 2 or len(points) < 3 or not np.isfinite(points).all():
        return FitFailed("a circle needs at least three points with finite coordinates")
    start = circle_start(points)
    if start is None:
        return FitFailed("the points lie in one line or in one place")
    scale = float(np.abs(points - points.mean(axis=0)).max())

    def residuals(p: Floats) -> Floats:
        return np.asarray(np.hypot(points[:, 0] - p[0], points[:, 1] - p[1]) - p[2])

    def jacobian(p: Floats) -> Floats:
        dx, dy = points[:, 0] - p[0], points[:, 1] - p[1]
        r = np.maximum(np.hypot(dx, dy), 1e-300)
        return np.column_stack([-dx / r, -dy / r, -np.ones(len(points))])

    fit = least_squares(
        residuals, start, jac=jacobian, method="lm", x_scale=scale, xtol=1e-14, ftol=1e-14, gtol=1e-14, max_nfev=2000
    )
    j = jacobian(fit.x)
    normal = j.T @ j
    if np.linalg.cond(normal) > 1e14:
        return FitFailed("the points do not settle a circle")
    ssr = float(fit.fun @ fit.fun)
    n = len(points)
    s2 = ssr / (n - 3) if n > 3 else 1.0
    return ShapeFit(("x", "y", "radius"), fit.x, np.linalg.inv(normal) * s2, float(np.sqrt(ssr / n)), 1.0, n)
