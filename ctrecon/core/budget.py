"""Uncertainty components put together: combined standard uncertainty and effective degrees of freedom."""

import math
from collections.abc import Iterable

from ctrecon.core.errors import InputError

__all__ = ["combine"]


def combine(components: Iterable[tuple[float, float]]) -> tuple[float, float]:
    """Combine independent components.

    Parameters
    ----------
    components : iterable of (u, dof)
        Standard uncertainty of each in the unit of the result (sensitivity already
        multiplied in), and its degrees of freedom; `math.inf` where it is known outright.

    Returns
    -------
    u : float
        Root of the sum of squares (GUM 5.1.2).
    dof : float
        Effective degrees of freedom by Welch and Satterthwaite (GUM G.4.1), not truncated;
        infinite where no component with finite degrees of freedom counts.

    Raises
    ------
    InputError
        If a component is negative or not finite, or its degrees of freedom are not positive.

    Examples
    --------
    >>> combine([(3.0, 4.0), (4.0, math.inf)])[0]
    5.0
    """
    parts = list(components)
    for u, dof in parts:
        if not (math.isfinite(u) and u >= 0 and dof > 0):
            msg = f"an uncertainty of {u} with {dof} degrees of freedom cannot be combined; give u >= 0 and dof > 0"
            raise InputError(msg)
    total = math.hypot(*(u for u, _ in parts))
    if total == 0:
        return 0.0, math.inf
    # as shares of the total, so that tiny components do not underflow in the fourth power
    loss = sum((u / total) ** 4 / dof for u, dof in parts)
    return total, 1 / loss if loss > 0 else math.inf
