"""A number with its standard uncertainty, and the one rule by which both are rounded."""

import math
from dataclasses import dataclass
from typing import ClassVar

__all__ = ["COVERAGE_FACTOR", "FINITE", "Measured", "decimals_for", "expanded", "format_u", "format_value"]

COVERAGE_FACTOR = 2.0
"""k of every printed U (about 95 % for a normal distribution; GUM 6.3.3)."""


FINITE: dict[str, bool] = {"allow_inf_nan": False}
"""Setting of every record class: a reader refuses NaN and infinity."""


@dataclass(frozen=True, slots=True)
class Measured:
    """A value and ONE standard uncertainty (k = 1), in mm or degrees.

    Parameters
    ----------
    value : float
        Best estimate.
    u : float or None
        Standard uncertainty without the part that comes from the scale. None where a
        stated or assumed value came without one.
    scale_u : float or None
        Standard uncertainty (mm) that the scale adds, where it is not the value times that of
        the scale: on a part calibrated by a size, sizes and scale err together.

    Examples
    --------
    >>> bore = Measured(6.2034, 0.0021)
    >>> print(f"Ø {bore.value:.3f} mm, U = {2 * bore.u:.3f} mm (k = 2)")
    Ø 6.203 mm, U = 0.004 mm (k = 2)
    """

    __pydantic_config__: ClassVar[dict[str, bool]] = FINITE
    value: float
    u: float | None = None
    scale_u: float | None = None


def expanded(measured: Measured, scale_u_rel: float | None = None) -> float | None:
    """Return U = 2 sqrt(u² + (value · scale_u_rel)²), or None where u is unknown; `scale_u` stands for the product.

    Parameters
    ----------
    measured : Measured
        Value and standard uncertainty.
    scale_u_rel : float or None
        Relative standard uncertainty of the scale in the direction of the value; None
        leaves the scale out, and the heading must say so.

    Examples
    --------
    >>> expanded(Measured(10.0, 0.003), 0.0004)
    0.01
    """
    if measured.u is None:
        return None
    if scale_u_rel is None:
        return COVERAGE_FACTOR * measured.u
    scale_u = measured.value * scale_u_rel if measured.scale_u is None else measured.scale_u
    return COVERAGE_FACTOR * math.hypot(measured.u, scale_u)


def decimals_for(u_expanded: float | None, *, most: int = 4) -> int:
    """Return how many decimals a value with this U deserves.

    U keeps two digits when its first digit is 1, else one; the value gets the decimals
    U has. Without U, three decimals.

    Examples
    --------
    >>> decimals_for(0.0123), decimals_for(0.04), decimals_for(3.0)
    (3, 2, 0)
    """
    if u_expanded is None or not math.isfinite(u_expanded) or u_expanded <= 0:
        return min(3, most)
    exponent = math.floor(math.log10(u_expanded))
    first = round(u_expanded / 10.0**exponent, 6)
    digits = 1 if first < 2 else 0
    return max(0, min(most, digits - exponent))


def format_value(value: float, decimals: int) -> str:
    """Return the value with that many decimals, never as minus zero.

    Examples
    --------
    >>> format_value(-0.0004, 2)
    '0.00'
    """
    text = f"{value:.{decimals}f}"
    return text[1:] if text.startswith("-") and float(text) == 0 else text


def format_u(u_expanded: float | None, decimals: int) -> str:
    """Return U with that many decimals; empty where unknown, never as zero.

    Examples
    --------
    >>> format_u(0.0123, 3), format_u(0.00001, 4), format_u(None, 3)
    ('0.012', '<0.0001', '')
    """
    if u_expanded is None:
        return ""
    text = f"{u_expanded:.{decimals}f}"
    return f"<{10.0**-decimals:.{decimals}f}" if u_expanded > 0 and float(text) == 0 else text
