"""What a wheel is made by: standard forms of tooth beside the one as found, outline, windows, dividing table."""

from dataclasses import dataclass, replace
from math import atan2, degrees
from statistics import median

import numpy as np
from shapely import Polygon

from ctrecon.core.measured import Measured
from ctrecon.shapes import Vertex
from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.wheels.as_found import FoundWheel
from ctrecon.workshop.wheels.crossing import CrossingOut, cross_out
from ctrecon.workshop.wheels.dividing import DividingHead, DividingTable, dividing_table
from ctrecon.workshop.wheels.meshes import TrainWheel, module_of
from ctrecon.workshop.wheels.modules import ModuleOdds, module_hypotheses
from ctrecon.workshop.wheels.outline import wheel_outline
from ctrecon.workshop.wheels.tooth import (
    MOST_LEAVES,
    AsFoundTooth,
    ToothSizes,
    beside_as_found,
    clock_pinion,
    clock_wheel,
    cycloidal_factors,
    found_tooth,
    spur_tooth,
)

__all__ = ["TOOTH_FORMS", "Form", "ToMake", "crossing_as_found", "wheel_to_make"]

TOOTH_FORMS = ("found", "spur", "clock")
"""The tooth as found, an ISO 54 spur tooth, a BS 978-2 clock tooth."""

_USUAL_RATIO, _USUAL_LEAVES = 8, 8
"""Of a mate that is unknown (common practice, no source): the form of a clock tooth hardly hangs on it."""

_LIKELY = 0.5
"""A common module is taken for the form where it is likelier than this; else the measured one."""


_STRAIGHT = 0.25
"""A window's sides are straight this far from the middle of its radii, in parts of their difference (own choice)."""

_UNEVEN_DEG = 4.0
"""Windows whose sides lean more than this from even arms are left as found (own choice: filed arms lean a little)."""


@dataclass(frozen=True)
class Form:
    """One form of tooth, by name (`TOOTH_FORMS`): sizes, how it compares with the tooth found, odds of its module."""

    name: str
    sizes: ToothSizes
    beside: AsFoundTooth
    modules: tuple[ModuleOdds, ...]


@dataclass(frozen=True)
class ToMake:
    """One wheel to be made.

    Attributes
    ----------
    form : str
        The form chosen, of `TOOTH_FORMS`.
    sizes : ToothSizes
        Its blank and cut.
    forms : tuple of Form
        What the standards offer beside it.
    outline : tuple of Vertex
        Every tooth, centre at (0, 0), turned as found (mm, part frame).
    crossing : CrossingOut or None
        Its windows, by the arms as found; None where it has none (round and square holes are left as found).
    dividing : DividingTable
        The angle of every tooth.
    says : tuple of str
        How all of this was chosen.
    """

    form: str
    sizes: ToothSizes
    forms: tuple[Form, ...]
    outline: tuple[Vertex, ...]
    crossing: CrossingOut | None
    dividing: DividingTable
    says: tuple[str, ...]


def wheel_to_make(
    found: FoundWheel,
    teeth: int,
    *,
    mate_teeth: int | None = None,
    form: str | None = None,
    head: DividingHead | None = None,
) -> ToMake:
    """Return how a wheel is made.

    Parameters
    ----------
    found : FoundWheel
        The wheel; its tips must be known.
    teeth : int
        Count to make.
    mate_teeth : int or None
        Of the wheel or pinion it meshes with, for clock teeth; None: the usual ones.
    form : str or None
        Of `TOOTH_FORMS`; None: the tooth as found where its roots and flank are known, else the form that agrees best.
    head : DividingHead or None
        The dividing head; None lists angles only.

    Raises
    ------
    PlanError
        If the tips are unknown, or the form asked for can't be cut.
    """
    feature = found.feature
    tip, root = feature.tip_diameter_mm, feature.root_diameter_mm
    if tip is None or found.is_crown:
        why = feature.unknown.get("tip_diameter_mm", "not measured")
        why = "its teeth run along the axis" if found.is_crown else why
        raise PlanError(f"{found.name} has no tip diameter to turn a blank to: {why}")
    forms, refused = _forms(teeth, tip, root, mate_teeth)
    chosen = form or _best(found, forms)
    says = []
    if chosen == "found":
        if feature.flank is None or root is None or feature.tooth_width_mm is None:
            raise PlanError(f"{found.name} has no measured roots or flank, so its tooth can't be copied; name a form")
        train = TrainWheel(found.name, "", teeth, tip, found.addendum(teeth))
        sizes = found_tooth(teeth, module_of(train), tip, root, feature.tooth_width_mm)
        says.append(f"flank as found: {feature.flank.says}")
    else:
        named = [one.sizes for one in forms if one.name == chosen]
        if not named:
            why = refused.get(chosen, "its mate is as large")
            raise PlanError(f"{found.name} can't be cut with {chosen} teeth: {why}")
        sizes = named[0]
    profile = feature.flank.profile_mm if chosen == "found" and feature.flank is not None else ()
    turn = 0.0 if feature.turn_deg is None else feature.turn_deg.value
    outline = wheel_outline(sizes, profile=profile, turn_deg=turn)
    crossing = None
    try:
        crossing = crossing_as_found(found, sizes.root_diameter, sizes.depth_of_cut)
    except PlanError as error:
        says.append(f"the windows are left as found: {error}")
    return ToMake(chosen, sizes, forms, outline, crossing, _dividing(teeth, head), tuple(says))


def _dividing(teeth: int, head: DividingHead | None) -> DividingTable:
    """Return the table by the head where its circles serve, else by angles, with the reason."""
    try:
        return dividing_table(teeth, head=head)
    except PlanError as error:
        table = dividing_table(teeth)
        return replace(table, reason=f"{table.reason}; {error}")


def _forms(
    teeth: int, tip: Measured, root: Measured | None, mate: int | None
) -> tuple[tuple[Form, ...], dict[str, str]]:
    """Return spur and clock teeth of this count and tip diameter, the best agreeing first, and why a form can't be."""

    def by_tips(addendum: float) -> tuple[Measured, tuple[ModuleOdds, ...]]:
        across = teeth + 2 * addendum
        module = Measured(tip.value / across, (tip.u or 1e-4 * tip.value) / across)
        try:
            odds = module_hypotheses(module)
        except PlanError:  # beyond the common ones
            return module, ()
        common = odds[0].label != "none" and odds[0].probability > _LIKELY
        return (odds[0].module if common else module), odds

    def spur() -> tuple[ToothSizes, tuple[ModuleOdds, ...]]:
        module, odds = by_tips(1.0)
        return spur_tooth(teeth, module), odds

    def wheel() -> tuple[ToothSizes, tuple[ModuleOdds, ...]]:
        leaves = mate or min(_USUAL_LEAVES, teeth)
        module, odds = by_tips(cycloidal_factors(teeth, leaves)[0])
        return clock_wheel(teeth, leaves, module), odds

    def pinion() -> tuple[ToothSizes, tuple[ModuleOdds, ...]]:
        driver = mate or _USUAL_RATIO * teeth
        module, odds = by_tips(clock_pinion(teeth, driver, Measured(1.0)).addendum.value)
        return clock_pinion(teeth, driver, module), odds

    wanted = [("spur", spur)]
    wanted += [("clock", wheel)] if mate is None or teeth > mate else []
    wanted += [("clock", pinion)] if teeth <= MOST_LEAVES and (mate is None or teeth < mate) else []
    forms, refused = [], {}
    for name, make in wanted:
        try:
            sizes, odds = make()
        except PlanError as error:  # too few teeth for the form
            refused[name] = str(error)
        else:
            forms.append(Form(name, sizes, beside_as_found(sizes, tip, root), odds[:3]))
    return tuple(sorted(forms, key=_misfit)), refused


def _misfit(form: Form) -> tuple[bool, float]:
    off = form.beside.root or form.beside.tip
    return not form.beside.agrees, abs(off.value)


def _best(found: FoundWheel, forms: tuple[Form, ...]) -> str:
    feature = found.feature
    known = feature.flank is not None and len(feature.flank.profile_mm) > 2
    if known and feature.root_diameter_mm and feature.tooth_width_mm:
        return "found"
    return forms[0].name if forms else "spur"


def crossing_as_found(found: FoundWheel, root_diameter: Measured, depth_of_cut: Measured) -> CrossingOut | None:
    """Return the wheel crossed out as found, by the windows that are left of it: one is enough; None without any.

    A window between arms of even width has two straight sides. The angle between them is that from arm to arm, and
    each is half an arm's width from the wheel's centre.
    """
    windows = [_sides(one.polygon) for one in found.windows if one.is_free]
    if not windows:
        return None
    arms = round(360 / median(one.apart_deg for one in windows))
    if arms < 2 or any(abs(one.apart_deg - 360 / arms) > _UNEVEN_DEG for one in windows):
        raise PlanError(f"the windows of {found.name} are not those between even arms")
    return cross_out(
        root_diameter, depth_of_cut, boss_diameter=2 * median(one.inner for one in windows), arms=arms,
        rim_width=Measured(root_diameter.value / 2 - median(one.outer for one in windows)),
        arm_width=Measured(2 * median(one.off_centre for one in windows)), turn_deg=windows[0].middle_deg - 180 / arms,
    )  # fmt: skip


@dataclass(frozen=True)
class _Sides:
    """A window: the angle between its sides, their distance from the centre, its radii, and where its middle is."""

    apart_deg: float
    off_centre: float
    inner: float
    outer: float
    middle_deg: float


def _sides(window: Polygon) -> _Sides:
    """Return the straight sides of a window, fitted to what of its outline is clear of the corners."""
    points = np.asarray(window.exterior.segmentize(0.01 * window.length).coords)[:-1]
    radius = np.hypot(*points.T)
    inner, outer = float(radius.min()), float(radius.max())
    clear = np.abs(radius - (inner + outer) / 2) < _STRAIGHT * (outer - inner)
    x, y = window.centroid.coords[0]
    aside = points @ [-y, x]
    lines = []
    for side in (points[clear & (aside < 0)], points[clear & (aside > 0)]):
        if len(side) < 3:
            return _Sides(0.1, 0.0, inner, outer, 0.0)  # no two sides: never even
        along = np.linalg.svd(side - side.mean(axis=0))[2][0]
        along = along if along @ side.mean(axis=0) > 0 else -along
        off = abs(float(along[0] * side[:, 1].mean() - along[1] * side[:, 0].mean()))
        lines.append((degrees(atan2(along[1], along[0])), off))
    (first, one), (second, other) = lines
    apart = (second - first) % 360
    return _Sides(apart, (one + other) / 2, inner, outer, (first + apart / 2) % 360)
