"""The solid of a record, before a kernel builds it: extrusions in sheet axes, sorted into pieces.

X right, Y up, Z towards the viewer who looks at the start end: right-handed, as the sheet
and its outlines, so a depth of 3 mm lies at Z = -3. What belongs to which piece is taken from the
same reading of the record as the sheet's details and the outlines; which outside is cut by which
hole, and where ends meet, from the one that explains the scan.
"""

import itertools
import math
from dataclasses import dataclass, replace
from typing import cast

import numpy as np

from ctrecon.core.errors import InputError
from ctrecon.core.frames import Floats
from ctrecon.drawing.model.crossing import with_lost_windows
from ctrecon.drawing.model.edges import AS_FOUND, TO_MAKE, as_found, found_at, is_unsettled, need_edges
from ctrecon.drawing.model.teeth import crown_teeth
from ctrecon.drawing.model.views import Drawn, Model, build_model
from ctrecon.drawing.paper.contours import Contour, cut_by_circle
from ctrecon.record.items import PartItem, pieces_of
from ctrecon.record.kinds import is_crown, is_hole, is_seam, kind_of, kind_words
from ctrecon.record.part import Feature, Part, taper_of
from ctrecon.record.solid import Prism, solid_of
from ctrecon.solid.profile import grown_profile, round_cutters

__all__ = ["Bar", "Block", "Body", "Run", "SolidRecord", "solid_record"]

_BEYOND_MM = 1.0
"""A hole that runs out is cut this much farther, so that no skin of no thickness stays."""


@dataclass(frozen=True)
class Run:
    """A contour at each end (mm, sheet axes) run between two depths: straight, or evenly tapered."""

    ident: str
    low: float
    high: float
    first: Contour
    last: Contour

    @property
    def tapers(self) -> bool:
        """Whether its two ends differ."""
        return self.first != self.last


@dataclass(frozen=True)
class Bar:
    """A round hole across: a point on its axis and a unit direction (X, Y, Z), its radius and its ends along it."""

    ident: str
    point: tuple[float, float, float]
    direction: tuple[float, float, float]
    radius: float
    first: float
    last: float


@dataclass(frozen=True)
class Block:
    """A stretch of metal of one piece: a run less its cuts."""

    run: Run
    cuts: tuple[Run | Bar, ...]


@dataclass(frozen=True)
class Body:
    """A piece as one named body."""

    name: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True)
class SolidRecord:
    """The bodies of a part, and what was left out or taken as known, in sentences."""

    name: str
    bodies: tuple[Body, ...]
    notes: tuple[str, ...]


def solid_record(part: Part, *, edges: str = TO_MAKE) -> SolidRecord:
    """Return the bodies that a record describes.

    Parameters
    ----------
    part : Part
        The record; it needs a depth and at least one outside.
    edges : {"to-make", "as-found"}
        Whether worn edges are made sound, or as they were found.

    Returns
    -------
    SolidRecord
        One body for each piece, in the order of the record.

    Raises
    ------
    InputError
        If the record holds no solid: a single slice, or holes without an outside.
    """
    if part.stack.slices < 2:
        raise InputError(f"{part.name} was measured on a single slice, so it has no depth and no solid can be made")
    whole = build_model(part, edges=need_edges(edges))
    unsettled = {d.feature.id for d in whole.drawn if edges == TO_MAKE and is_unsettled(d.feature)}
    alone = pieces_of(part)
    # an undecided piece is left in what it may be one with, unless the whole part stands under that doubt
    bodied = [one for one in alone if not one.is_doubtful] or list(alone)
    bodies: list[Body] = []
    notes: list[str] = []
    used: set[str] = set()
    for name, own in [(_name_of(one), one.part) for one in bodied] or [(part.name, part)]:
        blocks, taken, says = _blocks(with_lost_windows(own) if edges == TO_MAKE else own, whole, unsettled)
        notes += says
        used |= taken
        if blocks:
            bodies.append(Body(name, tuple(blocks)))
    if not bodies:
        raise InputError(
            f"{part.name} holds no outside with a known section, so no solid can be made; measure the whole part, "
            "with air around it"
        )
    made = {body.name for body in bodies}
    for one in part.pieces if alone else ():
        if f"{one.id} {one.name}" in made:
            continue
        why = "all metal where it lies belongs to other pieces"
        if one.verdict != "separate":
            doubt = "it is one with the rest" if one.verdict == "one_piece" else "it may be one with the rest"
            why = f"{doubt}, and its metal is left there"
        notes.append(f"{one.id} {one.name} is not a body: {why}.")
    return SolidRecord(part.name, tuple(bodies), (*dict.fromkeys(notes), *_notes(part, used, unsettled, len(bodies))))


def _name_of(item: PartItem) -> str:
    return f"{item.pieces[0].id} {item.name}"


def _blocks(part: Part, whole: Model, unsettled: set[str]) -> tuple[list[Block], set[str], list[str]]:
    """Return the metal of one piece in the sheet axes of the whole, which features it shows, and what it leaves out."""
    model = build_model(part, edges=whole.edges, about=whole)
    drawn = {d.feature.id: d for d in model.drawn}
    blocks: list[Block] = []
    notes: list[str] = []
    used: set[str] = set()
    for prism, cutters in solid_of(part).bodies:
        own = drawn[prism.ident]
        cutters = tuple(c for c in cutters if c.ident not in unsettled)
        outside, dropped = _outside(model, own, prism, [drawn[c.ident] for c in cutters])
        if outside is None:
            notes.append(f"{prism.ident} is left out: the record holds no section of it.")
            continue
        used |= dropped | {prism.ident}
        cuts: list[Run | Bar] = []
        for cut in cutters:
            if cut.ident not in dropped:
                made = _cut(model, drawn[cut.ident], cut, outside)
                if isinstance(made, Run):
                    cuts += _as_found(model, drawn[cut.ident], made)
                elif made is not None:
                    cuts.append(made)
        used |= {c.ident for c in cuts}
        teeth = crown_teeth(own.feature, own.x, own.y, even=whole.edges == TO_MAKE)
        runs = [replace(outside, first=one, last=one) for one in teeth] or _as_found(model, own, outside)
        blocks += [Block(run, tuple(cuts)) for run in runs]
    return blocks, used, notes


def _run(own: Drawn, low: float, high: float, middle: float, growth: float) -> Run | None:
    """Return a feature's own section run between two depths; half its size grows with depth."""
    first = grown_profile(own, growth * (low - middle))
    last = first if growth == 0.0 else grown_profile(own, growth * (high - middle))
    if first is None or last is None:
        return None
    return Run(own.feature.id, low, high, first, last)


def _as_found(model: Model, own: Drawn, run: Run) -> list[Run]:
    """Return a run with what was eaten of its edge where that is asked for: in stretches, each straight."""
    is_rim = any(run.first is rim for zone in model.zones for _, rim in zone.rims)  # as found already
    if model.edges != AS_FOUND or not own.found or is_rim:
        return [run]
    least = min(model.part.stack.voxel_mm[0] / 2, (run.high - run.low) / 2)  # thinner layers are rounding
    stops = [run.low]
    for z in sorted(z for one in own.found for z in (one.z0, one.z1)):
        if z - stops[-1] > least and run.high - z > least:
            stops.append(z)
    runs = []
    for low, high in itertools.pairwise([*stops, run.high]):
        eaten = found_at(own, (low + high) / 2)
        if not eaten:
            runs.append(_stretch(run, low, high))
            continue
        sound = _between(run, ((low + high) / 2 - run.low) / (run.high - run.low)) if run.tapers else run.first
        section = as_found(sound, eaten, hole=is_hole(own.feature))
        runs.append(Run(run.ident, low, high, section, section))
    return runs


def _finite(value: float, otherwise: float) -> float:
    return value if math.isfinite(value) else otherwise


def _outside(model: Model, own: Drawn, prism: Prism, cutters: list[Drawn]) -> tuple[Run | None, set[str]]:
    """Return an outside as a run, and which holes its contour has taken in (a fragment of a ring)."""
    low = _finite(prism.low - model.start_z, own.z0)
    high = _finite(prism.high - model.start_z, own.z1)
    run = _run(own, low, high, prism.middle - model.start_z, prism.growth)
    f = own.feature
    if run is None or kind_of(f).arc_left(f) is None:
        return run, set()
    for one in round_cutters(cutters):
        radius = one.feature.diameter_mm.value / 2 if one.feature.diameter_mm else 0.0
        if cut_by_circle(run.first, one.x, one.y, radius) is not None:
            return run, set()  # the relief takes the metal away
    middle = (low + high) / 2
    zone = next((z for z in model.zones if z.z0 <= middle <= z.z1), None)
    rim = next((c for d, c in zone.rims if d.feature.id == f.id), None) if zone else None
    if rim is None or zone is None or rim.round_of is not None:
        return run, set()  # made whole
    holes = {d.feature.id for d in zone.drawn if is_hole(d.feature)}
    return Run(f.id, low, high, rim, rim), holes - {d.feature.id for d, _ in zone.holes}


def _cut(model: Model, own: Drawn, prism: Prism, outside: Run) -> Run | Bar | None:
    if prism.cross is not None:
        turned = _directions(model)
        point = turned @ (prism.cross.point - np.array([*model.datum_xy, model.start_z]))
        direction = turned @ prism.cross.direction
        x, y, z = (float(v) for v in point)
        a, b, c = (float(v) for v in direction / np.linalg.norm(direction))
        return Bar(own.feature.id, (x, y, z), (a, b, c), prism.cross.radius, prism.cross.first, prism.cross.last)
    if _is_across(own):
        return None
    low = _finite(prism.low - model.start_z, min(outside.low, own.z0) - _BEYOND_MM)
    high = _finite(prism.high - model.start_z, max(outside.high, own.z1) + _BEYOND_MM)
    return _run(own, low, high, prism.middle - model.start_z, prism.growth)


def _is_across(own: Drawn) -> bool:
    """Return whether the hole runs across the axis and its own axis is not in the record."""
    return "not_along_depth" in own.feature.flags and own.feature.cross_diameter_mm is None


def _directions(model: Model) -> Floats:
    """Return the rotation from the part frame to sheet axes: half a turn about x, then to the sheet's X."""
    a = math.radians(model.slices_x_deg)
    turn = np.array([[math.cos(a), -math.sin(a), 0.0], [math.sin(a), math.cos(a), 0.0], [0.0, 0.0, 1.0]])
    return np.asarray(turn @ np.diag([1.0, -1.0, -1.0]))


def _stretch(run: Run, low: float, high: float) -> Run:
    """Return the part of a run between two depths."""
    if not run.tapers:
        return replace(run, low=low, high=high)
    t0, t1 = ((z - run.low) / (run.high - run.low) for z in (low, high))
    return replace(run, low=low, high=high, first=_between(run, t0), last=_between(run, t1))


def _between(run: Run, t: float) -> Contour:
    pairs = zip(run.first.vertices, run.last.vertices, strict=True)
    mixed = tuple(tuple(p + (q - p) * t for p, q in zip(a, b, strict=True)) for a, b in pairs)
    whole = None
    if run.first.round_of and run.last.round_of:
        x, y, r = (p + (q - p) * t for p, q in zip(run.first.round_of, run.last.round_of, strict=True))
        whole = (x, y, r)
    return Contour(cast("tuple[tuple[float, float, float], ...]", mixed), True, whole)


def _teeth_notes(f: Feature) -> list[str]:
    """Say how the teeth of a wheel are made where the record does not hold all of them."""
    if is_crown(f):
        return [f"{f.id} is a crown: its teeth stand with even flanks, as wide as they are half-way up."]
    if f.flank is None or f.pitch_deg is None:
        teeth = "its teeth are as wide as their gaps" if f.teeth else "it is a plain disc of middle diameter"
        return [f"{f.id} is a wheel whose flanks are not in the record: {teeth}."]
    if f.teeth is None:
        return [f"{f.id} had an unknown number of teeth: what is lost of its rim is left blank up to the tip circle."]
    return []


def _notes(part: Part, used: set[str], unsettled: set[str], bodies: int) -> tuple[str, ...]:
    """Say what the solid does not show, or shows as more certain than it is."""
    notes = []
    for f in part.features:
        if kind_of(f).is_face or (is_seam(f) and f.id not in used):
            continue
        ends = [s for s, at in (("start", f.depth_from_mm), ("far end", f.depth_to_mm)) if at is None]
        if f.id in unsettled:
            notes.append(f"{f.id} may be a relief or wear, which is undecided: it is not cut.")
        elif f.id not in used:
            why = (
                "it runs across the axis and its own axis is not known"
                if "not_along_depth" in f.flags
                else "it meets no outside of known section"
            )
            notes.append(f"{f.id} ({kind_words(f)}) is left out: {why}.")
        elif ends and is_hole(f):
            notes.append(f"{f.id} has no known {' or '.join(ends)}: it is cut right through there.")
        elif ends and not is_seam(f):
            notes.append(f"{f.id} ends with the stack: its {' and '.join(ends)} may lie beyond it.")
        if kind_of(f).is_toothed and f.id in used:
            notes += _teeth_notes(f)
        if f.id in used and taper_of(f) is not None and f.outline_mm:
            notes.append(f"{f.id} is a free outline run straight: its taper is left out.")
        if f.id in used and "edge_broken" in f.flags:
            notes.append(f"{f.id} has an edge with a chamfer or round of unknown size: it is left sharp.")
        if f.id in used and "corner_missing" in f.flags:
            notes.append(f"{f.id} has lost a corner: it is made whole.")
    if bodies > 1:
        notes.append("Pieces stand apart by the gaps of their side seams, hole and boss as on the sheet.")
    if part.stack.handedness_basis == "assumed":
        notes.append("The slices are assumed to run away from the viewer: otherwise the solid is the mirror image.")
    return tuple(notes)
