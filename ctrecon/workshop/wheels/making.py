"""What a wheel is made by: standard forms of tooth beside the one as found, outline, windows, dividing table."""

from dataclasses import dataclass, replace
from math import atan2, degrees, hypot
from statistics import median

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

__all__ = ["TOOTH_FORMS", "Form", "ToMake", "wheel_to_make"]

TOOTH_FORMS = ("found", "spur", "clock")
"""The tooth as found, an ISO 54 spur tooth, a BS 978-2 clock tooth."""

_USUAL_RATIO, _USUAL_LEAVES = 8, 8
"""Of a mate that is unknown (common practice, no source): the form of a clock tooth hardly hangs on it."""

_LIKELY = 0.5
"""A common module is taken for the form where it is likelier than this; else the measured one."""


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
        crossing = _crossing(found, sizes)
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


def _crossing(found: FoundWheel, sizes: ToothSizes) -> CrossingOut | None:
    """Return the wheel crossed out as found: arms as many and as wide, rim and boss as wide."""
    free = [one.polygon for one in found.windows if one.is_free]
    polygons = sorted(free, key=lambda one: _direction(one.centroid.coords[0]))
    if len(polygons) < 2:
        return None
    radii = [[hypot(x, y) for x, y in one.exterior.coords] for one in polygons]
    middles = [_direction(one.centroid.coords[0]) for one in polygons]
    steps = [(b - a) % 360 for a, b in zip(middles, [*middles[1:], middles[0]], strict=True)]
    arms = round(360 / median(sorted(steps)[: max(len(steps) - 1, 1)]))  # the widest step may be where metal is lost
    apart = [
        one.distance(other)
        for one, other, step in zip(polygons, [*polygons[1:], polygons[0]], steps, strict=True)
        if step < 1.5 * 360 / arms
    ]
    rim = sizes.root_diameter.value / 2 - median(max(one) for one in radii)
    boss = 2 * median(min(one) for one in radii)
    return cross_out(
        sizes.root_diameter, sizes.depth_of_cut, boss_diameter=boss, arms=arms, rim_width=Measured(rim),
        arm_width=Measured(median(apart)), turn_deg=middles[0] - 180 / arms,
    )  # fmt: skip


def _direction(point: tuple[float, ...]) -> float:
    return degrees(atan2(point[1], point[0])) % 360
