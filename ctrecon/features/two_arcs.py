"""One arc or two: whether the stretches of a broken rim belong to one circle."""

from dataclasses import replace

import numpy as np

from ctrecon.core.fit_result import ShapeFit
from ctrecon.features.candidates import RivalShape
from ctrecon.features.collect_voxels import Voxels
from ctrecon.features.shape_candidates import binned
from ctrecon.features.size import FittedCandidate
from ctrecon.fitting.blurred_models import BlurredCircle
from ctrecon.fitting.misfit import Misfit, compare
from ctrecon.fitting.solve import Samples, fit_grey
from ctrecon.grey.square_up import SquaredStack

__all__ = ["one_arc_or_two", "stretches_of"]

_LEAST_GAP_DEG = 8.0  # narrower gaps do not break a rim
_LEAST_ARC_DEG = 40.0  # a shorter stretch settles no circle of its own
_LEAST_ARC_PX = 10.0  # nor does one of fewer px
_ONE_MEANT = 3.0
"""Ln odds for one circle before looking: of broken rims that still hang together few are bent (a judgement)."""
_RANGE_PX = 2.0
"""How far a second arc's centre and radius may be from the first's and still pass for it on the outline."""


def stretches_of(sized: FittedCandidate) -> list[tuple[float, float]]:
    """Return the unbroken stretches (from, to degrees; to above from) of a round rim between its gaps."""
    candidate, circle = sized.candidate, sized.candidate.circle
    if circle is None:
        return []
    gaps = sorted((low % 360, high - low) for low, high, _ in candidate.gaps_deg if high - low >= _LEAST_GAP_DEG)
    out = []
    for (low, width), (following, _) in zip(gaps, [*gaps[1:], *((a + 360, w) for a, w in gaps[:1])], strict=True):
        if following - low - width >= max(_LEAST_ARC_DEG, np.degrees(_LEAST_ARC_PX / circle.radius)):
            out.append((low + width, following))
    return out


def one_arc_or_two(
    sized: FittedCandidate, data: Voxels, squared: SquaredStack, noise: float
) -> tuple[float, RivalShape] | None:
    """Weigh one circle through all stretches of a rim against two circles, the first stretch's and that of the rest.

    Returns
    -------
    (ln odds of one arc over two, the two arcs) or None
        None where the rim is not broken into at least two stretches or cannot be fitted so.
    """
    stretches = stretches_of(sized)
    shape, candidate = sized.candidate.circle, sized.candidate
    if len(stretches) < 2 or shape is None or not isinstance(sized.fit, ShapeFit):
        return None
    samples, level = binned(candidate, sized, data, squared.depth_step_mm / squared.pitch_mm, noise)
    angle = np.degrees(np.arctan2(samples.y - shape.y, samples.x - shape.x))
    off = np.hypot(samples.x - shape.x, samples.y - shape.y) - shape.radius
    inside = [((angle - low) % 360 < high - low) & (np.abs(off) < 4.5) for low, high in stretches]
    kept = np.any(inside, axis=0)
    model = BlurredCircle(candidate.metal_outside)
    start = np.array([shape.x, shape.y, sized.fit.value("radius"), 0.0, 0.0, 0.0])
    active = np.array([True, True, True, False, False, False])

    def fitted(which: np.ndarray) -> ShapeFit | None:
        fit = fit_grey(model, start, _only(samples, which), noise=level, active=active)
        return fit if isinstance(fit, ShapeFit) else None

    best: tuple[float, RivalShape] | None = None
    one = fitted(kept)
    if one is None:
        return None
    together = _only(samples, kept)
    d_one = model.distance(one.values[:6], together, one.value("blur"))[0] / one.value("blur")
    for alone in inside if len(inside) > 2 else inside[:1]:
        first, rest = fitted(alone), fitted(kept & ~alone)
        if first is None or rest is None:
            continue
        d_two = d_one.copy()
        for fit, which in ((first, alone[kept]), (rest, ~alone[kept])):
            # the edge's own blur is the same for both: only the circles differ
            part = _only(together, which)
            d_two[which] = model.distance(fit.values[:6], part, one.value("blur"))[0] / one.value("blur")
        single, double = compare([Misfit(together, d_one), Misfit(together, d_two)], level)
        settled = [max(first.u(n), rest.u(n), 1e-6) for n in ("x", "y", "radius")]
        cost = sum(max(0.0, float(np.log(2 * _RANGE_PX / (np.sqrt(2 * np.pi) * u)))) for u in settled)
        odds = single - double + cost + _ONE_MEANT
        if best is None or odds < best[0]:
            sizes = {"first_mm": 2 * first.value("radius"), "second_mm": 2 * rest.value("radius")}
            best = odds, RivalShape("round", odds, sizes, words="two arcs of different circles")
    return best


def _only(samples: Samples, which: np.ndarray) -> Samples:
    return replace(
        samples, x=samples.x[which], y=samples.y[which], z=samples.z[which], grey=samples.grey[which],
        cluster=samples.cluster[which],
    )  # fmt: skip
