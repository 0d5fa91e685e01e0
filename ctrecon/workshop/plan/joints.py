"""Which part goes through which hole, and with which fit: limits, clearance found, press figures, squares."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from math import hypot

from shapely import Point

from ctrecon.core.errors import InputError
from ctrecon.core.measured import Measured, format_u, format_value
from ctrecon.workshop.assembly.model import Assembly, PlannedHole, PlannedPart, PlannedSize, PlannedStep
from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.fits.choose import FitChoice, choose_fit
from ctrecon.workshop.fits.press import press_range, square_press
from ctrecon.workshop.materials import Material, materials
from ctrecon.workshop.plan.model import FAILS, GOOD, LOOK, Check
from ctrecon.workshop.tilt import tilt_in_hole

__all__ = ["Joint", "find_joints", "fit_joints", "runs_clear"]

_FILLS = 1.3
"""A section up to so much larger than a hole is meant to go through it; what is larger lies on its face."""
_LEAST_OVERLAP_MM = 0.2
"""A step reaches into a hole where they share so much depth; less is a face that lies on a face."""


@dataclass(frozen=True)
class Joint:
    """A step of one part in a hole of another.

    Parameters
    ----------
    hole_part, hole : PlannedPart, PlannedHole
    part, step : PlannedPart, PlannedStep
    moving : bool
        Whether one turns in the other.
    length_mm : float
        Depth they share.
    """

    hole_part: PlannedPart
    hole: PlannedHole
    part: PlannedPart
    step: PlannedStep
    moving: bool
    length_mm: float

    @property
    def size(self) -> PlannedSize:
        """Size of the hole."""
        return self.hole_part.sizes[self.hole.size_key]

    @property
    def alike(self) -> bool:
        """Whether hole and step are of one form, so that one fit holds for both."""
        return self.hole.form is self.step.form

    @property
    def mate(self) -> PlannedSize | None:
        """Size of the step; None where the record has none."""
        return None if self.step.size_key is None else self.part.sizes[self.step.size_key]


def find_joints(assembly: Assembly) -> tuple[Joint, ...]:
    """Return every step that stands in a hole of another part, top of the stack first."""
    return tuple(_joints(assembly))


def _joints(assembly: Assembly) -> Iterator[Joint]:
    for holder in assembly.parts:
        for hole in holder.holes:
            for part in assembly.parts:
                if part.id == holder.id or not part.steps or part.role == "plate":
                    continue
                for step in part.steps:
                    deep = min(hole.to_z, step.to_z) - max(hole.from_z, step.from_z)
                    if deep < min(_LEAST_OVERLAP_MM, 0.5 * (hole.to_z - hole.from_z)) or step.size is None:
                        continue
                    if hole.shape.contains(Point(step.shape.centroid)) and step.shape.area < _FILLS * hole.shape.area:
                        yield Joint(holder, hole, part, step, holder.moving != part.moving, deep)


def fit_joints(assembly: Assembly, to_make: Mapping[str, float]) -> tuple[tuple[Joint, FitChoice | None, Check], ...]:
    """Choose the fit of every joint, and check it against what was found.

    Parameters
    ----------
    assembly : Assembly
        Its overrides may name fits.
    to_make : mapping of str to float
        Sizes to make (mm) by key.
    """
    return tuple(_fit(assembly, joint, to_make) for joint in find_joints(assembly))


def _fit(assembly: Assembly, joint: Joint, to_make: Mapping[str, float]) -> tuple[Joint, FitChoice | None, Check]:
    key, about = joint.hole.size_key, joint.hole_part.id
    words = f"{joint.part.name} in {joint.hole_part.name}"
    mate = joint.mate
    if mate is None or not joint.hole.form.fits:
        return joint, None, Check(topic="fit", about=about, says=f"{words}: no size to fit to.", state=LOOK)
    if not joint.alike:
        return joint, None, _loose(joint, words, about, mate, assembly)
    asked = assembly.overrides.fits.get(key)
    if joint.moving and asked is None and runs_clear(assembly, joint):
        return joint, None, _kept(assembly, joint, words, mate)
    purpose = "runs freely" if joint.moving else "located by hand"
    code = asked or (None if joint.moving else assembly.shop.hole_fit)
    try:
        choice = choose_fit(
            purpose, to_make.get(key, joint.size.value), hole=_whole(joint.size), shaft=_whole(mate), code=code
        )
    except PlanError as error:
        check = Check(topic="fit", about=about, says=f"{words}: no fit.", why=f"{error}.", state=FAILS)
        return joint, None, check
    except InputError as error:
        if asked is None:
            raise
        raise InputError(f"{assembly.source}: overrides.fits.{key}: {error}") from None
    more, state = _more(joint, choice)
    if joint.moving and joint.hole.form.round and choice.fit.clearance_max_mm > 0:
        most = choice.fit.clearance_max_mm
        more = (*more, f"at the most clearance, {tilt_in_hole(joint.length_mm, choice.fit.size_mm, most).reason}")
    turning = joint.moving and choice.fit.clearance_min_mm <= 0
    if turning:
        more = (*more, f"{choice.fit.code} may leave no clearance, and it must turn")
        state = FAILS
    doubt = () if choice.trusted else (_too_coarse(joint, mate),)
    state = LOOK if state == GOOD and doubt else state
    why = " ".join(f"{text}." for text in (choice.reason, *more, *doubt))
    says = f"{words}: {choice.fit.code}{'' if choice.trusted else ', fit to each other'}."
    return joint, choice, Check(topic="fit", about=about, says=says, why=why, state=state, overridden=asked is not None)


def runs_clear(assembly: Assembly, joint: Joint) -> bool:
    """Return whether what turns was made to clear its hole rather than to run in it."""
    mate = joint.mate
    return mate is not None and joint.size.value - mate.value >= 2 * assembly.shop.running_clearance_mm


def _kept(assembly: Assembly, joint: Joint, words: str, mate: PlannedSize) -> Check:
    play = joint.size.value - mate.value
    wide = 2 * hypot(_whole(joint.size).u or 0.0, _whole(mate).u or 0.0)
    least = assembly.shop.running_clearance_mm
    why = (
        f"{format_value(play / 2, 2)} mm all round as found, wanted {format_value(least, 2)} mm: a "
        "clearance hole, no fit; "
        "both sizes are kept."
    )
    state = GOOD if play - wide >= 2 * least else LOOK
    return Check(topic="fit", about=joint.hole_part.id, says=f"{words}: turns clear.", why=why, state=state)


def _too_coarse(joint: Joint, mate: PlannedSize) -> str:
    U = [format_u(one.U, 3) for one in (joint.size, mate)]
    return (
        f"the scan knows hole and shaft to ±{U[0]} and ±{U[1]} mm, no better than these limits: fit the two to each "
        "other, do not trust the number"
    )


def _whole(size: PlannedSize) -> Measured:
    """Return a size whose u holds what an unknown edge of the scan adds."""
    return Measured(size.value, None if size.size.u is None else hypot(size.size.u, size.edge_u), size.scale_u)


def _loose(joint: Joint, words: str, about: str, mate: PlannedSize, assembly: Assembly) -> Check:
    """Check what goes through a hole of another form: only the play counts."""
    across = mate.value * joint.step.form.widest
    play = joint.size.value - across
    u = 2 * hypot(joint.size.size.u or 0.0, mate.size.u or 0.0)
    says = f"{words}: {format_value(play, 2)} mm of play across the widest place."
    wanted = 2 * assembly.shop.running_clearance_mm if joint.moving else 0.0
    state = GOOD if play - u >= wanted else LOOK if play + u >= 0 else FAILS
    why = (
        f"A {joint.step.kind} section in a {joint.hole.kind} hole; wanted at least "
        f"{format_value(wanted, 2)} mm, U {format_value(u, 3)} mm."
    )
    return Check(topic="fit", about=about, says=says, why=why, state=state)


def _metal(part: PlannedPart) -> Material | None:
    known = materials()
    name = (part.material or "").strip()
    if name in known:
        return known[name]
    return known["CuZn37"] if name.lower() == "brass" else known.get(name.lower())


def _more(joint: Joint, choice: FitChoice) -> tuple[tuple[str, ...], str]:
    """Return what a press does to the metal, and the state it leaves the check in."""
    if choice.fit.kind == "clearance":
        return (), GOOD
    hub, shaft = _metal(joint.hole_part), _metal(joint.part)
    if hub is None or shaft is None:
        return ("what the press does to the metal can't be said: give the material of both parts",), LOOK
    x, y = joint.hole.place.xy
    outside = 2 * joint.hole_part.outline.exterior.distance(Point(x, y))
    try:
        if joint.hole.form.square:
            return (
                square_press(flats_mm=choice.fit.size_mm, hub_outside_mm=outside, hub=hub, shaft=shaft).reason,
            ), GOOD
        if choice.fit.clearance_min_mm >= 0:
            return (), GOOD
        found = press_range(choice.fit, hub_outside_mm=outside, hub=hub, shaft=shaft, length_mm=joint.length_mm)
    except PlanError as error:
        return (str(error),), FAILS
    state = FAILS if found.most.yields and found.least.yields else LOOK if found.most.yields else GOOD
    return (found.reason, *found.most.yields), state
