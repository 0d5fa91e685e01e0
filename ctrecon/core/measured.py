"""A number with its standard uncertainty, and the one rule by which both are rounded."""

import math
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from typing import ClassVar

__all__ = [
    "COVERAGE_FACTOR", "FINITE", "Measured", "decimals_for", "expanded", "format_pair", "format_percent",
    "format_short", "format_u", "format_value",
]  # fmt: skip

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

    Notes
    -----
    In text it stands with its U (k = 2), both rounded by `decimals_for`, or to the decimals of a format such as
    ``.3f``. `float` gives the value alone.

    Examples
    --------
    >>> bore = Measured(6.2034, 0.0021)
    >>> print(f"Ø {bore} mm (k = 2)")
    Ø 6.203 ± 0.004 mm (k = 2)
    >>> f"{bore:.2f}", float(bore), bore.U
    ('6.20 ± 0.01', 6.2034, 0.0042)
    """

    __pydantic_config__: ClassVar[dict[str, bool]] = FINITE
    value: float
    u: float | None = None
    scale_u: float | None = None

    @property
    def U(self) -> float | None:
        """Expanded uncertainty (k = 2), with what the scale adds where that is known; None where u is unknown."""
        return expanded(self, None if self.scale_u is None else 0.0)

    def __float__(self) -> float:
        return float(self.value)

    def __str__(self) -> str:
        return format(self, "")

    def __format__(self, spec: str) -> str:
        return format_pair(self, self.U, spec)


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
    first, exponent = f"{u_expanded:.6e}".split("e")
    digits = 1 if first.startswith("1") else 0
    return max(0, min(most, digits - int(exponent)))


def _rounded(value: float, decimals: int, *, times: int = 0) -> str:
    """Round as people do, halves away from zero, by the digits the number shows (0.125 and 2.675 go up), times 10^n."""
    if not math.isfinite(value) or abs(value) > 1e15:
        return f"{value:.{max(decimals, 0)}f}"  # no digit of such a number stands behind the point
    exact = Decimal(repr(float(value))).scaleb(times)
    return f"{exact.quantize(Decimal(1).scaleb(-decimals), ROUND_HALF_UP):f}"


def _unsigned_zero(text: str) -> str:
    return text[1:] if text.startswith("-") and float(text) == 0 else text


def format_value(value: float, decimals: int, *, sign: bool = False) -> str:
    """Return the value with that many decimals, halves rounded away from zero, never as minus zero.

    Parameters
    ----------
    value : float
        Any number.
    decimals : int
        How many.
    sign : bool
        Write the plus too, except of zero.

    Examples
    --------
    >>> format_value(-0.0004, 2), format_value(0.125, 2), format_value(2.5, 0), format_value(0.02, 2, sign=True)
    ('0.00', '0.13', '3', '+0.02')
    """
    text = _unsigned_zero(_rounded(value, decimals))
    return f"+{text}" if sign and float(text) > 0 else text


def format_short(value: float, digits: int = 6) -> str:
    """Return the value with that many significant digits and no zeros after them, never as minus zero.

    Examples
    --------
    >>> format_short(0.0500), format_short(-0.0), format_short(12.25, 3)
    ('0.05', '0', '12.3')
    """
    if math.isfinite(value) and value != 0:
        last = Decimal(repr(float(value))).adjusted() - digits + 1
        value = float(_rounded(value, -last))
    return _unsigned_zero(f"{value:.{digits}g}")


def format_percent(share: float, decimals: int = 0) -> str:
    """Return a share in percent, with a space before the sign (ISO 80000-1, 7.1.4).

    Examples
    --------
    >>> format_percent(0.125), format_percent(0.0234, 1)
    ('13 %', '2.3 %')
    """
    return f"{_unsigned_zero(_rounded(share, decimals, times=2))} %"


def format_u(u_expanded: float | None, decimals: int) -> str:
    """Return U with that many decimals; empty where unknown, never as zero.

    Examples
    --------
    >>> format_u(0.0123, 3), format_u(0.00001, 4), format_u(None, 3)
    ('0.012', '<0.0001', '')
    """
    if u_expanded is None:
        return ""
    text = _rounded(u_expanded, decimals)
    return f"<{10.0**-decimals:.{decimals}f}" if u_expanded > 0 and float(text) == 0 else text


def format_pair(measured: Measured, u_expanded: float | None, spec: str = "") -> str:
    """Return value and U in one text, to the decimals that U deserves or that a format such as ``.3f`` asks for.

    Raises
    ------
    ValueError
        If the format is not a number of decimals.

    Examples
    --------
    >>> format_pair(Measured(6.2034, 0.0021), 0.0042), format_pair(Measured(6.2034), None, ".1f")
    ('6.203 ± 0.004', '6.2')
    """
    digits = spec.removesuffix("f").removeprefix(".")
    if spec and not (spec == f".{digits}f" and digits.isdecimal()):
        raise ValueError(f"the format {spec!r} is not known; give decimals, such as .3f, or none to follow U")
    decimals = int(digits) if spec else decimals_for(u_expanded)
    shown = format_u(u_expanded, decimals).removeprefix("<")  # a U under the last digit is rounded up to it
    return format_value(measured.value, decimals) + (f" ± {shown}" if shown else "")
