"""Which form the flanks of a tooth have: straight, rounded, involute or cycloidal, with odds, or none clearly."""

from collections.abc import Callable

import numpy as np
from scipy.optimize import least_squares
from scipy.special import chdtrc

from ctrecon.core.frames import Floats
from ctrecon.core.measured import format_percent
from ctrecon.fitting.wheel_image import MeanTooth

__all__ = ["flank_form"]

_CLEAR = 0.95  # probability above which one form is named
_MADE = 0.004  # of the pitch: what a filed or cut flank may be off its form (common practice, no source)
_FITS = 1e-3  # chance below which the best of the forms does not fit
_WORDS = {
    "straight": "straight", "rounded": "straight with a round tip", "involute": "involute", "cycloidal": "cycloidal",
}  # fmt: skip

Form = Callable[[Floats, Floats], Floats]


def _straight(p: Floats, r: Floats) -> Floats:
    """Half widths of a straight flank at radii: it is straight over the height along the tooth, not over the radius."""
    half = p[0] + p[1] * r
    for _ in range(5):
        half = p[0] + p[1] * np.sqrt(np.maximum(r**2 - half**2, 0.0))
    return np.asarray(half)


def _rounded(tip: float) -> Form:
    def half(p: Floats, r: Floats) -> Floats:
        middle = max(tip - abs(p[2]), 1.0)
        height = (r**2 + middle**2 - p[2] ** 2) / (2 * middle)
        cap = np.sqrt(np.maximum(r**2 - height**2, 0.0))
        return np.asarray(np.minimum(_straight(p, r), np.where(height > middle, cap, np.inf)))

    return half


def _involute(p: Floats, r: Floats) -> Floats:
    pressure = np.arccos(np.minimum(p[0] / r, 1.0))
    return np.asarray(r * np.sin(p[1] - (np.tan(pressure) - pressure)))


def _cycloidal(p: Floats, r: Floats) -> Floats:
    """Half width of a tooth with radial flanks below the pitch circle and an arc above that leaves them smoothly."""
    turn, at, round_ = p[0], p[1], abs(p[2])
    above = np.clip(r - at, 0.0, round_)
    return np.asarray(np.where(r < at, r, at) * np.sin(turn) - round_ + np.sqrt((round_ - above) * (round_ + above)))


def flank_form(tooth: MeanTooth, covariance: Floats, pitch_px: float) -> tuple[str, str]:
    """Return the form by name, and a sentence with the odds of each.

    Parameters
    ----------
    tooth : MeanTooth
        The mean tooth.
    covariance : (k, k) array
        Of its half widths, px².
    pitch_px : float
        Along the circle of the tips.

    Notes
    -----
    Each form is fitted to the half widths by generalised least squares and pays for its parameters as the Bayesian
    information criterion has it; before, all are equally likely.
    """
    r, half = tooth.radii, tooth.half
    lower = np.linalg.cholesky(covariance + (_MADE * pitch_px) ** 2 * np.eye(len(r)))
    slope = (half[-1] - half[0]) / (r[-1] - r[0])
    line = [half[0] - slope * r[0], slope]
    middle, wide = (r[0] + r[-1]) / 2, float(np.interp((r[0] + r[-1]) / 2, r, half))
    turn = float(np.arcsin(np.clip(wide / middle, 0.0, 0.9)))
    starts: dict[str, tuple[Form, list[list[float]]]] = {
        "straight": (_straight, [line]),
        "rounded": (_rounded(tooth.tip), [[*line, share * wide] for share in (0.5, 0.9)]),
        "involute": (_involute, [[share * middle, turn + 0.02] for share in (0.85, 0.94)]),
        "cycloidal": (_cycloidal, [[turn, at * r[0] + (1 - at) * r[-1], 2 * wide] for at in (0.7, 0.4)]),
    }
    logs: dict[str, float] = {}
    misfit: dict[str, tuple[float, int]] = {}
    for name, (form, begins) in starts.items():
        if len(begins[0]) >= len(r):
            continue

        def rest(p: Floats, form: Form = form) -> Floats:
            return np.asarray(np.linalg.solve(lower, half - np.nan_to_num(form(p, r), nan=1e3, posinf=1e3)))

        best = min(2 * least_squares(rest, begin, x_scale="jac").cost for begin in begins)
        logs[name] = -0.5 * best - 0.5 * len(begins[0]) * float(np.log(len(r)))
        misfit[name] = best, len(r) - len(begins[0])
    top = max(logs.values())
    total = sum(np.exp(one - top) for one in logs.values())
    odds = {name: float(np.exp(one - top) / total) for name, one in logs.items()}
    likely = max(odds, key=lambda name: odds[name])
    told = ", ".join(f"{_WORDS[name]} {format_percent(odds[name])}" for name in sorted(odds, key=lambda n: -odds[n]))
    square, freedom = misfit[likely]
    if chdtrc(freedom, square) < _FITS:
        return "free", f"none of the usual forms fits the mean tooth (of them alone: {told}); it stands as measured"
    if odds[likely] < _CLEAR:
        return "free", f"no form is clearly better than the others ({told}); the mean tooth stands as measured"
    return likely, f"the flanks are {_WORDS[likely]} ({told})"
