"""Sizes of a tooth by the form of its cutter: spur teeth of ISO 54 modules, cycloidal clock teeth of BS 978-2."""

from dataclasses import dataclass, replace
from functools import cache
from math import atan2, cos, hypot, pi, radians, sin, sqrt, tan

from ctrecon.core.measured import Measured, format_short, format_value
from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.tables import read_table

__all__ = [
    "MOST_LEAVES", "PINION_CLEARANCE", "AsFoundTooth", "ToothSizes", "beside_as_found", "clock_pinion", "clock_wheel",
    "cycloidal_factors", "found_tooth", "span", "spur_tooth", "tabled_factors", "theoretical_addendum",
]  # fmt: skip

SPUR_ADDENDUM, SPUR_DEDENDUM = 1.0, 1.25
"""Of spur teeth, modules: tip diameter m (z + 2), root diameter m (z - 2.5)."""

PINION_CLEARANCE = 0.4
"""Room under the wheel's tips at the root of a clock pinion, modules (from memory, not seen on paper)."""

MOST_LEAVES = 20
"""A wheel of no more teeth than this may be a pinion (common practice, no source)."""

_PROFILES = {
    "A": ((0.525, 0.525), (0.625, 0.625)),
    "B": ((0.67, 0.70), (0.805, 0.84)),
    "C": ((0.855, 1.05), (1.05, 1.25)),
}
"""BS 978-2 pinions: addendum and ogive radius, modules, to 10 leaves and from 11 on."""

_FEW_LEAVES = 10


@dataclass(frozen=True)
class ToothSizes:
    """One tooth and its blank; lengths in mm, with u where the module has one.

    Attributes
    ----------
    form : str
        Spur, clock wheel or clock pinion.
    teeth : int
        Count.
    module, pitch_diameter, blank_diameter, root_diameter : Measured
        The blank is turned to the tip diameter.
    addendum, dedendum, depth_of_cut, tooth_width : Measured
        From the pitch circle to the tips, to the roots, both together; width along the pitch circle.
    tip_radius : Measured or None
        Radius of the ogive's arcs; None for spur teeth.
    cutter : str
        Which cutter to ask for.
    reason : str
        One sentence.
    """

    form: str
    teeth: int
    module: Measured
    pitch_diameter: Measured
    blank_diameter: Measured
    root_diameter: Measured
    addendum: Measured
    dedendum: Measured
    depth_of_cut: Measured
    tooth_width: Measured
    tip_radius: Measured | None
    cutter: str
    reason: str


@dataclass(frozen=True)
class AsFoundTooth:
    """A form beside the tooth as found: tip and root diameter and depth, found less the form's, mm."""

    tip: Measured
    root: Measured | None
    depth: Measured | None
    agrees: bool
    reason: str


# many: each factor of one tooth
def _sizes(
    form: str, teeth: int, module: Measured, addendum: float, dedendum: float, width: float, radius: float | None,
    cutter: str, source: str,
) -> ToothSizes:  # fmt: skip
    """Return sizes from factors, all times the module."""
    if module.value <= 0 or teeth < 3:
        raise PlanError("a tooth needs a module above 0 and a wheel of 3 teeth or more; correct them")

    def times(factor: float) -> Measured:
        return Measured(factor * module.value, None if module.u is None else abs(factor) * module.u)

    if teeth <= 2 * dedendum:
        raise PlanError(f"{teeth} teeth {format_short(dedendum, 3)} modules deep meet at the centre; use more teeth")
    blank, depth = times(teeth + 2 * addendum), times(addendum + dedendum)
    says = (
        f"{form} of {teeth} teeth, module {format_short(module.value, 4)} mm ({source}): "
        f"blank ⌀{format_value(blank.value, 3)}, cut {format_value(depth.value, 3)} mm deep, "
        f"tooth {format_value(width * module.value, 3)} wide at the pitch circle"
    )
    return ToothSizes(
        form, teeth, module, times(teeth), blank, times(teeth - 2 * dedendum), times(addendum), times(dedendum), depth,
        times(width), None if radius is None else times(radius), cutter, says,
    )  # fmt: skip


def spur_tooth(teeth: int, module: Measured, *, pressure_deg: float = 20.0) -> ToothSizes:
    """Return an involute spur tooth of ISO 54 module: da = m (z + 2), df = m (z - 2.5).

    Parameters
    ----------
    teeth : int
        Count.
    module : Measured
        mm.
    pressure_deg : float
        Pressure angle, degrees.

    Examples
    --------
    >>> spur = spur_tooth(48, Measured(0.5))
    >>> spur.blank_diameter.value, spur.root_diameter.value
    (25.0, 22.75)
    """
    if not 10 <= pressure_deg <= 30:
        raise PlanError(f"a pressure angle of {format_short(pressure_deg, 3)}° cuts no tooth; give 10° to 30°")
    cutter = f"involute, module {format_short(module.value, 4)}, {format_short(pressure_deg, 3)}°, for {teeth} teeth"
    source = "ISO 54 proportions"
    sizes = _sizes("spur wheel", teeth, module, SPUR_ADDENDUM, SPUR_DEDENDUM, pi / 2, None, cutter, source)
    over = max(2, round(teeth * pressure_deg / 180 + 0.5))  # so the jaws touch near the pitch circle
    wide = format_value(span(teeth, module.value, over, pressure_deg=pressure_deg), 3)
    return replace(sizes, reason=f"{sizes.reason}; {wide} over {over} teeth")


def span(teeth: int, module: float, over: int, *, pressure_deg: float = 20.0) -> float:
    """Return the span (mm) over a number of involute teeth: m cos a ((k - 1/2) pi + z inv a).

    Examples
    --------
    >>> round(span(20, 1.0, 3), 4)
    7.6604
    """
    if over < 1 or over >= teeth or module <= 0:
        raise PlanError(
            f"a span over {over} of {teeth} teeth can't be measured; give 1 tooth or more, fewer than there are"
        )
    a = radians(pressure_deg)
    return module * cos(a) * ((over - 0.5) * pi + teeth * (tan(a) - a))


def theoretical_addendum(teeth: int, leaves: int) -> float:
    """Return the addendum (modules) at which both flanks of a cycloidal wheel's tooth meet, f0 of BS 978-2.

    Parameters
    ----------
    teeth, leaves : int
        Of the wheel, and of the pinion it drives.

    Notes
    -----
    The flank is the epicycloid of a circle of half the pinion's pitch radius. With G = N / n and k = 1 + 2 G, iterate
    beta = atan2(sin t, k - cos t), t = pi / n + 2 G beta; f0 = n / 4 (1 - k + sqrt(1 + k² - 2 k cos t)).

    Examples
    --------
    >>> round(theoretical_addendum(60, 8), 6)
    1.548805
    """
    if leaves < 3 or teeth < leaves:
        raise PlanError(
            f"a wheel of {teeth} that drives {leaves} leaves has no such form; give a pinion of 3 or more, smaller"
        )
    ratio = teeth / leaves
    k = 1 + 2 * ratio
    turn = 1.0
    for _ in range(1000):
        before, turn = turn, pi / leaves + 2 * ratio * atan2(sin(turn), k - cos(turn))
        if abs(turn - before) < 1e-15:
            break
    return leaves / 4 * (1 - k + sqrt(1 + k * k - 2 * k * cos(turn)))


def cycloidal_factors(teeth: int, leaves: int) -> tuple[float, float]:
    """Return addendum and ogive radius (modules) of a clock wheel by the formula of BS 978-2: 0.95 f0 and 1.40 f0."""
    theory = theoretical_addendum(teeth, leaves)
    return 0.95 * theory, 1.40 * theory


@cache
def _table() -> dict[tuple[float, int], tuple[float, float]]:
    _, rows = read_table("bs978_wheels")
    return {
        (float(row["ratio"]), int(row["leaves"])): (float(row["addendum"]), float(row["radius"])) for row in rows
    }  # fmt: skip


def tabled_factors(teeth: int, leaves: int) -> tuple[float, float] | None:
    """Return addendum and ogive radius (modules) as BS 978-2 tabulates them; None between the entries of the table.

    Examples
    --------
    >>> tabled_factors(75, 10), tabled_factors(76, 10)
    ((1.603, 2.363), None)
    """
    return _table().get((teeth / leaves, leaves))


def clock_wheel(teeth: int, leaves: int, module: Measured) -> ToothSizes:
    """Return a cycloidal wheel tooth by the formula of BS 978-2, for a wheel that drives a pinion.

    Parameters
    ----------
    teeth, leaves : int
        Of the wheel and of its pinion.
    module : Measured
        mm.

    Examples
    --------
    >>> round(clock_wheel(75, 10, Measured(0.12)).blank_diameter.value, 3)
    9.385
    """
    addendum, radius = cycloidal_factors(teeth, leaves)
    near = tabled_factors(teeth, leaves)
    table = "" if near is None else f", table {near[0]:.3f}"
    source = f"BS 978-2 for {leaves} leaves, addendum {format_value(addendum, 3)} m{table}"
    cutter = f"cycloidal wheel, module {format_short(module.value, 4)}, BS 978-2"
    return _sizes("clock wheel", teeth, module, addendum, pi / 2, pi / 2, radius, cutter, source)


def clock_pinion(leaves: int, teeth: int, module: Measured, *, profile: str | None = None) -> ToothSizes:
    """Return the leaf of a pinion driven by a clock wheel, by BS 978-2.

    Parameters
    ----------
    leaves, teeth : int
        Of the pinion and of the wheel that drives it.
    module : Measured
        mm.
    profile : str or None
        A (round), B or C (high ogive); None: C to 7 leaves, B for 8 and 9, A from 10 on, the usual choice.

    Notes
    -----
    Its root clears the wheel's tips by 0.4 modules.

    Examples
    --------
    >>> round(clock_pinion(10, 75, Measured(0.12), profile="B").blank_diameter.value, 3)
    1.361
    """
    chosen = profile or ("C" if leaves <= 7 else "B" if leaves <= 9 else "A")
    if chosen not in _PROFILES:
        raise PlanError(f"there is no pinion profile {chosen}; choose A, B or C")
    many = leaves > _FEW_LEAVES
    addendum, radius = _PROFILES[chosen][many]
    dedendum = cycloidal_factors(teeth, leaves)[0] + PINION_CLEARANCE
    cutter = f"cycloidal pinion, profile {chosen}, module {format_short(module.value, 4)}, for {leaves} leaves"
    source = f"BS 978-2 profile {chosen}, root for a wheel of {teeth}"
    return _sizes("clock pinion", leaves, module, addendum, dedendum, 1.25 if many else 1.05, radius, cutter, source)


def found_tooth(teeth: int, module: Measured, tip: Measured, root: Measured, width: Measured) -> ToothSizes:
    """Return the tooth as found as sizes to make: a cutter is ground to its measured flank.

    Parameters
    ----------
    teeth : int
        Count.
    module : Measured
        By the tips, for a tooth of unknown form, mm.
    tip, root : Measured
        Diameters as found, mm.
    width : Measured
        Of the tooth half-way up, mm.

    Notes
    -----
    Where on it the pitch circle is depends on the form, which is unknown; the depth of cut does not.
    """
    pitch = Measured(module.value * teeth, None if module.u is None else module.u * teeth)
    up, down = ((_less(*pair).value / 2, _less(*pair).u) for pair in ((tip, pitch), (pitch, root)))
    addendum, dedendum = (Measured(value, None if u is None else u / 2) for value, u in (up, down))
    whole = _less(tip, root)
    depth = Measured(whole.value / 2, None if whole.u is None else whole.u / 2)
    says = (
        f"{teeth} teeth as found: blank ⌀{format_value(tip.value, 3)}, cut {format_value(depth.value, 3)} mm deep, "
        f"tooth {format_value(width.value, 3)} wide half-way up; a worn tooth is copied worn"
    )
    cutter = "single-point cutter ground to the flank as found"
    return ToothSizes(
        "tooth as found", teeth, module, pitch, tip, root, addendum, dedendum, depth, width, None, cutter, says
    )


def beside_as_found(sizes: ToothSizes, tip: Measured, root: Measured | None = None) -> AsFoundTooth:
    """Return a form beside the tooth as found.

    Parameters
    ----------
    sizes : ToothSizes
        The form.
    tip, root : Measured
        Diameters as found, mm; root None where it isn't seen.

    Notes
    -----
    A worn tip is smaller than the form's, so only a tip that is larger, or a root that differs, speaks against a form
    (beyond three joint standard uncertainties).
    """
    tip_off = _less(tip, sizes.blank_diameter)
    root_off = None if root is None else _less(root, sizes.root_diameter)
    depth = None
    if root is not None:
        found = Measured((tip.value - root.value) / 2, hypot(tip.u or 0.0, root.u or 0.0) / 2)
        depth = _less(found, sizes.depth_of_cut)
    against = tip_off.value > 3 * (tip_off.u or 0.0)
    against |= root_off is not None and abs(root_off.value) > 3 * (root_off.u or 0.0)
    parts = [f"tips {format_value(tip_off.value, 3, sign=True)} mm on diameter"]
    if root_off is not None and depth is not None:
        parts.append(
            f"roots {format_value(root_off.value, 3, sign=True)}, depth {format_value(depth.value, 3, sign=True)}"
        )
    verdict = "does not agree with" if against else "agrees with"
    says = f"the tooth as found {verdict} the {sizes.form} of {sizes.teeth}: {', '.join(parts)} against the form"
    return AsFoundTooth(tip_off, root_off, depth, not against, says)


def _less(found: Measured, form: Measured) -> Measured:
    return Measured(found.value - form.value, hypot(found.u or 0.0, form.u or 0.0))
