"""Tolerance chains: what gap a stack of lengths leaves, and how well it is known.

Measuring and making stay apart: measuring U says how well the sizes found are known, shop tolerances how closely the
new pieces are made. The scale of a scan acts on all its lengths together and with their sign; a face that bounds two
lengths counts once; all else is independent (GUM 5.2, JCGM 100:2008).
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from math import hypot, inf, isfinite, sqrt

import numpy as np

from ctrecon.core.measured import COVERAGE_FACTOR, Measured, format_percent, format_value
from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.gap_spread import Spread, gap_distribution

__all__ = ["Chain", "Face", "Link", "checked_links", "close_chain", "span_words", "with_made"]


@dataclass(frozen=True)
class Face:
    """A face that bounds a length: its name, the same in every link, and the standard uncertainty of its place."""

    name: str
    u_mm: float


@dataclass(frozen=True, kw_only=True)
class Link:
    """One length of a chain.

    Parameters
    ----------
    name : str
        Such as spacer.
    size : Measured
        Length (mm). Its u is left out where `faces` say it.
    sign : int
        +1 where the gap grows with it, -1 where it takes the gap up.
    tolerance_mm : float
        Plus or minus how closely the shop makes it (mm); 0 for a piece that is made already.
    scale_group : str, optional
        The scan the size comes from: all of one group share one scale error. None: `size.scale_u` stands alone.
    scale_u_rel : float, optional
        Relative standard uncertainty of that scale along the chain; `size.scale_u` goes before it.
    faces : (Face, Face), optional
        Its near and far face, in the direction of the stack.
    shared : mapping of str to float
        What one standard uncertainty of other errors common to several links does to this length (mm, signed), by
        the error's name: such as where the edges of a scan truly lie, +2 times that for a piece between two airs.
    fixed : bool
        Bought or not to be touched.
    rub_down : bool
        Whether metal can be rubbed off it.
    ease : int
        How easily: 1 a loose flat piece, 2 a plate, 3 what sits on an arbor (the order is common practice).
    most_off_mm : float, optional
        No more than that can go; None: a quarter of its length (common practice, no source).
    """

    name: str
    size: Measured
    sign: int = 1
    tolerance_mm: float = 0.0
    scale_group: str | None = None
    scale_u_rel: float | None = None
    faces: tuple[Face, Face] | None = None
    shared: Mapping[str, float] = field(default_factory=dict)
    fixed: bool = False
    rub_down: bool = True
    ease: int = 1
    most_off_mm: float | None = None


@dataclass(frozen=True)
class Chain:
    """A chain closed: its gap and what it may come out at (mm).

    Parameters
    ----------
    links, required_mm
        As given.
    gap : Measured
        Its u and scale_u are those of measuring alone; gap.U is the line "measuring U".
    shop_worst_mm, shop_rss_mm : float
        Plus or minus by the shop's tolerances: all at their limits, and root-sum-square.
    verdict : str
        holds, uncertain, too small, too large; holds where no gap is required and none can close.
    p_interference : float
        Probability of a gap below 0 with measuring and making together.
    p_outside : float or None
        Probability of a gap outside what is required.
    shares : tuple of (str, float)
        What the u of the gap is made of, largest variance first, as shares: faces, scales, links and tolerances.
    without_u : tuple of str
        Links whose measuring u or scale is not known; they are missing from U.
    spread, reason : str
        As given; one sentence.
    """

    links: tuple[Link, ...]
    gap: Measured
    shop_worst_mm: float
    shop_rss_mm: float
    required_mm: tuple[float, float] | None
    verdict: str
    p_interference: float
    p_outside: float | None
    shares: tuple[tuple[str, float], ...]
    without_u: tuple[str, ...]
    spread: Spread
    reason: str

    def quantile(self, share: float) -> float:
        """Return the gap (mm) that this share of assemblies stays below, with measuring and making together."""
        if not 0 < share < 1:
            raise PlanError(f"a share of {share:g} has no gap; give one between 0 and 1")
        u = hypot(self.gap.u or 0.0, self.gap.scale_u or 0.0)
        x, below = gap_distribution(u, [one.tolerance_mm for one in self.links], self.spread)
        return self.gap.value + float(np.interp(share, below, x))


def checked_links(links: Iterable[Link]) -> tuple[Link, ...]:
    """Return the links of a chain, or raise PlanError where one has no sense."""
    chain = tuple(links)
    if not chain:
        raise PlanError("a chain needs at least one link")
    seen: set[str] = set()
    faces: dict[str, float] = {}
    for one in chain:
        if one.name in seen:
            raise PlanError(f"the chain has two links called {one.name!r}; name each once")
        seen.add(one.name)
        if one.sign not in (1, -1):
            raise PlanError(f"link {one.name!r} has the sign {one.sign}; give 1 where the gap grows with it, else -1")
        if not (isfinite(one.size.value) and isfinite(one.tolerance_mm)) or one.tolerance_mm < 0:
            raise PlanError(f"link {one.name!r} needs a length and a tolerance of 0 or more, in mm")
        for face in one.faces or ():
            if not face.u_mm >= 0 or faces.setdefault(face.name, face.u_mm) != face.u_mm:
                raise PlanError(f"face {face.name!r} needs one standard uncertainty, 0 or more, in every link")
    return chain


def _scale_mm(link: Link) -> float | None:
    """Return what one standard uncertainty of the scale does to the length (mm); None where it is not known."""
    if link.size.scale_u is not None:
        return link.size.scale_u
    if link.scale_u_rel is not None:
        return link.size.value * link.scale_u_rel
    return None if link.scale_group is not None else 0.0


def _measuring(links: tuple[Link, ...]) -> tuple[dict[str, float], dict[str, float], tuple[str, ...]]:
    """Return the signed effects on the gap of each face and link, of each scale, and the links without a figure."""
    own: dict[str, float] = defaultdict(float)
    scales: dict[str, float] = defaultdict(float)
    missing = []
    for link in links:
        if link.faces is not None:
            near, far = link.faces
            own[f"face {near.name}"] -= link.sign * near.u_mm
            own[f"face {far.name}"] += link.sign * far.u_mm
        elif link.size.u is not None:
            own[link.name] += link.sign * link.size.u
        for name, effect in link.shared.items():
            own[f"in common: {name}"] += link.sign * effect
        scale = _scale_mm(link)
        if scale is None or (link.faces is None and link.size.u is None):
            missing.append(link.name)
        if scale:
            group = f"scale of {link.scale_group or link.name}"
            scales[group] += link.sign * scale
    return own, scales, tuple(missing)


def close_chain(
    links: Iterable[Link], *, required_mm: tuple[float, float] | None = None, spread: Spread = "rectangular"
) -> Chain:
    """Return the gap that a chain of lengths leaves, worst case, root-sum-square and by probability.

    Parameters
    ----------
    links : iterable of Link
        The lengths, those that widen the gap with sign +1.
    required_mm : (float, float), optional
        Least and most gap wanted.
    spread : str
        How sizes lie within the shop tolerances: rectangular, or "three sigma" (then RSS of limits is 99.73 %).

    Raises
    ------
    PlanError
        If links are named twice, a sign or tolerance is senseless, or a face has two uncertainties.

    Examples
    --------
    >>> case = Link(name="case", size=Measured(8.00, 0.004), tolerance_mm=0.02)
    >>> hub = Link(name="hub", size=Measured(7.85, 0.003), sign=-1, tolerance_mm=0.03)
    >>> chain = close_chain([case, hub], required_mm=(0.05, 0.25))
    >>> round(chain.gap.value, 3), round(chain.shop_worst_mm, 3), chain.gap.U, chain.verdict
    (0.15, 0.05, 0.01, 'holds')
    """
    chain = checked_links(links)
    low, high = required_mm if required_mm is not None else (0.0, inf)
    if not low < high:
        raise PlanError(f"a gap from {low:g} to {high:g} mm can't be kept; give the least first, then the most")
    gap = sum(one.sign * one.size.value for one in chain)
    own, scales, missing = _measuring(chain)
    u, scale_u = (sqrt(sum(e**2 for e in effects.values())) for effects in (own, scales))
    found = Measured(gap, u, scale_u)
    tolerances = [one.tolerance_mm for one in chain]
    worst, rss = sum(tolerances), sqrt(sum(one**2 for one in tolerances))
    x, below = gap_distribution(hypot(u, scale_u), tolerances, spread)

    def under(limit: float) -> float:
        return float(np.interp(limit - gap, x, below, left=0.0, right=1.0))

    known = worst + COVERAGE_FACTOR * hypot(u, scale_u)
    verdict = "holds" if gap - known >= low and gap + known <= high else "uncertain"
    if gap < low or gap > high:
        verdict = "too small" if gap < low else "too large"
    outside = None if required_mm is None else under(low) + 1 - under(high)
    part = {name: effect**2 for name, effect in {**own, **scales}.items()}
    divide = 3.0 if spread == "rectangular" else 9.0
    part |= {f"making {one.name}": one.tolerance_mm**2 / divide for one in chain}
    total = sum(part.values())
    shares = sorted(((name, v / total) for name, v in part.items() if v > 0), key=lambda one: -one[1])
    reason = _told(found, worst, rss, required_mm, verdict, under(0.0), missing)
    return Chain(
        chain, found, worst, rss, required_mm, verdict, under(0.0), outside, tuple(shares), missing, spread, reason
    )


def _told(
    gap: Measured, worst: float, rss: float, required: tuple[float, float] | None, verdict: str, closes: float,
    missing: tuple[str, ...],
) -> str:  # fmt: skip
    pm = "\N{PLUS-MINUS SIGN}"
    wanted = "" if required is None else f", wanted {span_words(*required)}"
    words = {"holds": "it holds", "uncertain": "it may come out outside that"}.get(verdict, f"it is {verdict}")
    if required is None:
        words = "it stays open" if verdict == "holds" else "it may close" if gap.value >= 0 else "it closes"
    shut = f", below 0 in {format_percent(closes, 1)} of cases" if closes >= 0.0005 else ""
    left_out = f"; not in U: {', '.join(missing)}" if missing else ""
    return (
        f"gap {format_value(gap.value, 3)} mm{wanted}: {words}; measuring U {pm}{format_value(gap.U or 0.0, 3)}, "
        f"making {pm}{format_value(worst, 3)} at worst ({pm}{format_value(rss, 3)} root-sum-square){shut}{left_out}"
    )


def span_words(least: float, most: float) -> str:
    """Return what a gap should lie between, or that it should be at least so wide (mm)."""
    if most == inf:
        return f"{format_value(least, 2)} or more"
    return f"{format_value(least, 2)} to {format_value(most, 2)}"


def with_made(links: Iterable[Link], name: str, made: Measured) -> tuple[Link, ...]:
    """Return the chain with a piece as it was made and measured: its own u, no shop tolerance, no part in the scan.

    Raises
    ------
    PlanError
        If no link has that name.
    """
    chain = checked_links(links)
    if all(one.name != name for one in chain):
        raise PlanError(f"the chain has no link {name!r}; its links are {', '.join(one.name for one in chain)}")
    done = {"size": made, "tolerance_mm": 0.0, "scale_group": None, "scale_u_rel": None, "faces": None, "shared": {}}
    return tuple(replace(one, **done) if one.name == name else one for one in chain)  # type: ignore[arg-type]
