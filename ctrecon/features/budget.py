"""Where the uncertainty of a fitted quantity comes from: its budget, origin by origin."""

from collections.abc import Mapping

import numpy as np

from ctrecon.core.budget import ORIGINS
from ctrecon.core.fit_result import ShapeFit
from ctrecon.core.measured import Measured

__all__ = ["budget_of", "edge_u_px", "sizes_of_fit"]

_CURVED = 0.03
"""Standard deviation of the power by which grey may bend over the share of metal (a judgement: beam hardening
and scatter bend it by a few percent even where they are corrected)."""
_PER_POWER = 0.87
"""Blurs by which a fitted edge moves for a change of that power by 1 (worked out on the model of the edge)."""

def edge_u_px(psf_px: float) -> float:
    """Return how far half height may be off the true edge for all one knows of the grey scale, voxels.

    Grey that goes with a power of the metal's share has its half height elsewhere. The edge's form would show it,
    but not as small as this: a whole stack tells the power to 0.06 at best.
    """
    return _CURVED * _PER_POWER * float((psf_px**2 + 1 / 12) ** 0.5)


def budget_of(
    fit: ShapeFit, weights: Mapping[str, float], *, unit: float = 1.0, carried: float = 0.0
) -> dict[str, float]:
    """Return standard uncertainties (k = 1) by origin; their squares sum to that of the quantity.

    Parameters
    ----------
    fit : ShapeFit
        Fit with its budget.
    weights : mapping
        Weight of each parameter in the quantity.
    unit : float
        Factor from the fit's unit to the quantity's.
    carried : float
        Further standard uncertainty (in the fit's unit) from carrying the quantity along depth.
    """
    out = {}
    for origin, variance in fit.budget.items():
        total = sum((w * w * float(variance[fit.names.index(name)]) for name, w in weights.items()), 0.0)
        if total > 0:
            out[origin] = unit * total**0.5
    if carried > 0:
        out["carried"] = unit * carried
    return {origin: out[origin] for origin in ORIGINS if origin in out}


def sizes_of_fit(
    of_fit: Mapping[str, Mapping[str, float]], fit: ShapeFit, pitch_mm: float, budget: dict[str, dict[str, float]]
) -> dict[str, Measured]:
    """Return the sizes (mm) a kind makes of its fit's parameters (px), and its turn; their budgets are added.

    Parameters
    ----------
    of_fit : mapping
        Weights of the parameters in each size, as `ctrecon.record.kinds.Kind` has them.
    fit : ShapeFit
        The fit, turn in radians.
    pitch_mm : float
        Size of one px.
    budget : dict
        Filled with the origins of each size's u.
    """
    out = {}
    for quantity, weights in of_fit.items():
        row = np.array([weights.get(name, 0.0) for name in fit.names])
        u = float(np.sqrt(max(float(row @ fit.covariance @ row), 0.0)))
        out[quantity] = Measured(float(row @ fit.values) * pitch_mm, u * pitch_mm)
        budget[quantity] = budget_of(fit, weights, unit=pitch_mm)
    if "turn" in fit.names:
        out["turn_deg"] = Measured(float(np.degrees(fit.value("turn"))) % 360, float(np.degrees(fit.u("turn"))))
    return out
