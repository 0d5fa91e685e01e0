"""Joints where a section changes its slope but not abruptly: cylinder and cone meet where their radius lines cross."""

from dataclasses import replace

import numpy as np

from ctrecon.core.fit_result import ShapeFit
from ctrecon.features.ends import End
from ctrecon.features.size import FittedCandidate

__all__ = ["mark_broken_edges", "meet_at_knees"]

_BEND = 0.04  # px of radius per plane; smaller bends can't be distinguished from noise
_REACH = 3.5  # planes between the traced joint and the crossing
_SHORT = 0.4  # planes times planes of the shorter one: blur at its ends bends the line of a short cone


def meet_at_knees(sized: list[FittedCandidate], ends: list[tuple[End, End]], ratio: float) -> list[tuple[End, End]]:
    """Put the ends of round features that go on with another slope to the crossing of their radius lines.

    Parameters
    ----------
    sized : list of FittedCandidate
        Features with their fits.
    ends : list of (End, End)
        Their ends from faces, start and end.
    ratio : float
        Depth step over pitch.

    Returns
    -------
    list of (End, End)
        The same with crossings in the place of faces that are none.
    """
    out = [list(pair) for pair in ends]
    for i, a in enumerate(sized):
        for j, b in enumerate(sized):
            if i == j or b.candidate.first <= a.candidate.first:
                continue
            met = _crossing(a, b, ratio)
            if met is not None:
                out[i][1] = out[j][0] = met
    return [(pair[0], pair[1]) for pair in out]


def _crossing(a: FittedCandidate, b: FittedCandidate, ratio: float) -> End | None:
    """Return where the radius lines of two features that follow each other cross, if they meet without a step."""
    if not isinstance(a.fit, ShapeFit) or not isinstance(b.fit, ShapeFit):
        return None
    if a.candidate.hole != b.candidate.hole or not {"radius", "growth"} <= set(a.fit.names) & set(b.fit.names):
        return None
    if not -1 <= b.candidate.first - a.candidate.last - 1 <= 4:
        return None
    joint = (a.candidate.last + b.candidate.first) / 2
    ax, ay = a.centre_at(joint, ratio)
    bx, by = b.centre_at(joint, ratio)
    if np.hypot(ax - bx, ay - by) > 1.5:
        return None
    bend = (b.fit.value("growth") - a.fit.value("growth")) * ratio
    u_bend = float(np.hypot(a.fit.u("growth"), b.fit.u("growth"))) * ratio
    if abs(bend) < max(_BEND, 6 * u_bend):
        return None
    gap = _radius(a, joint, ratio) - _radius(b, joint, ratio)
    at = joint + gap / bend
    if abs(at - joint) > _REACH:
        return None
    u = float(np.hypot(_u_radius(a, at, ratio), _u_radius(b, at, ratio))) / abs(bend)
    shorter = min(one.candidate.last - one.candidate.first + 1 for one in (a, b))
    return End(at, float(np.hypot(u, _SHORT / shorter)))


def _radius(one: FittedCandidate, plane: float, ratio: float) -> float:
    assert isinstance(one.fit, ShapeFit)
    return one.fit.value("radius") + one.fit.value("growth") * (plane - one.middle) * ratio


def _u_radius(one: FittedCandidate, plane: float, ratio: float) -> float:
    """Return the standard uncertainty of the radius line at a plane."""
    fit = one.fit
    assert isinstance(fit, ShapeFit)
    arm = np.zeros(len(fit.values))
    arm[fit.names.index("radius")] = 1.0
    arm[fit.names.index("growth")] = (plane - one.middle) * ratio
    return float(np.sqrt(max(float(arm @ fit.covariance @ arm), 0.0)))


def mark_broken_edges(sized: list[FittedCandidate], ends: list[tuple[End, End]]) -> list[FittedCandidate]:
    """Flag features whose end face is reached over a chamfer or a round."""
    out = []
    for one, pair in zip(sized, ends, strict=True):
        if any(end.broken_px for end in pair) and "edge_broken" not in one.candidate.flags:
            one = replace(one, candidate=replace(one.candidate, flags=(*one.candidate.flags, "edge_broken")))
        out.append(one)
    return out
