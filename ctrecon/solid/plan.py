"""The solid of a record, before a kernel builds it: extrusions in sheet axes, sorted into pieces.

X right, Y up, Z towards the viewer who looks at the start end: right-handed, as the sheet
and its outlines, so a depth of 3 mm lies at Z = -3. Which outside is cut by which hole, and
where ends meet, is taken from the same reading of the record that explains the scan.
"""

import itertools
import math
from dataclasses import dataclass, replace
from typing import cast

import numpy as np

from ctrecon.core.errors import InputError
from ctrecon.core.frames import Floats
from ctrecon.drawing.model.edges import AS_FOUND, TO_MAKE, as_found, found_at, is_unsettled, need_edges
from ctrecon.drawing.model.views import Drawn, Model, Zone, build_model
from ctrecon.drawing.paper.contours import Contour, cut_by_circle
from ctrecon.drawing.shown.cut import piece_of
from ctrecon.record.kinds import is_hole, is_seam, kind_of, kind_words
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
    """A stretch of metal of one piece: a run, kept `inside` these seams and outside those, less its cuts."""

    run: Run
    cuts: tuple[Run | Bar, ...]
    inside: tuple[Run, ...] = ()
    outside: tuple[Run, ...] = ()


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
    model = build_model(part, edges=need_edges(edges))
    prisms = solid_of(part).bodies
    drawn = {d.feature.id: d for d in model.drawn}
    unsettled = {d.feature.id for d in model.drawn if edges == TO_MAKE and is_unsettled(d.feature)}
    blocks: dict[int, list[Block]] = {}
    notes: list[str] = []
    taken: set[str] = set()
    for prism, cutters in prisms:
        own = drawn[prism.ident]
        cutters = tuple(c for c in cutters if c.ident not in unsettled)
        outside, dropped = _outside(model, own, prism, [drawn[c.ident] for c in cutters])
        if outside is None:
            notes.append(f"{prism.ident} is left out: the record holds no section of it.")
            continue
        taken |= dropped
        cuts: list[Run | Bar] = []
        for cut in cutters:
            if cut.ident not in dropped:
                made = _cut(model, drawn[cut.ident], cut, outside)
                if isinstance(made, Run):
                    cuts += _as_found(model, drawn[cut.ident], made)
                elif made is not None:
                    cuts.append(made)
        for run in _as_found(model, own, outside):
            for piece, block in _shared_out(model, own, run, tuple(cuts)):
                blocks.setdefault(piece, []).append(block)
    if not blocks:
        raise InputError(
            f"{part.name} holds no outside with a known section, so no solid can be made; measure the whole part, "
            "with air around it"
        )
    bodies = tuple(Body(_name_of(part, n), tuple(some)) for n, some in sorted(blocks.items()))
    used = taken | {b.run.ident for some in blocks.values() for b in some}
    used |= {c.ident for some in blocks.values() for b in some for c in b.cuts}
    used |= {s.ident for some in blocks.values() for b in some for s in (*b.inside, *b.outside)}
    for number, one in enumerate(part.pieces):
        if number not in blocks:
            notes.append(f"{one.id} {one.name} is not a body: all metal where it lies belongs to other pieces.")
    return SolidRecord(part.name, bodies, (*notes, *_notes(part, used, unsettled, len(bodies))))


def _name_of(part: Part, number: int) -> str:
    if not part.pieces:
        return part.name
    piece = part.pieces[number]
    return f"{piece.id} {piece.name}"


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


def _shared_out(model: Model, own: Drawn, outside: Run, cuts: tuple[Run | Bar, ...]) -> list[tuple[int, Block]]:
    """Split an outside along seams, and say which piece each stretch belongs to."""
    if len(model.part.pieces) < 2:
        return [(0, Block(outside, cuts))]
    slack = min(1.5 * model.part.stack.voxel_mm[0], 0.3 * (outside.high - outside.low))
    seams = []
    for d in model.drawn:
        growth = kind_of(d.feature).wall_per_mm(d.feature)
        run = _run(d, d.z0, d.z1, (d.z0 + d.z1) / 2, growth) if is_seam(d.feature) else None
        if run is not None and min(run.high, outside.high) - max(run.low, outside.low) > slack:
            seams.append((d, run))
    seams.sort(key=lambda pair: (-pair[1].first.area(), pair[0].feature.id))
    stops = {outside.low, outside.high}
    for d in model.drawn:
        levels = (d.z0,) if kind_of(d.feature).is_face else (d.z0, d.z1) if is_seam(d.feature) else ()
        stops |= {z for z in levels if outside.low + slack < z < outside.high - slack}
    found: list[tuple[int, Block]] = []
    for low, high in itertools.pairwise(sorted(stops)):
        middle = (low + high) / 2
        zone = Zone(low, high, (), (), (), ())
        stretch = _stretch(outside, low, high)
        here = [(d, _stretch(run, low, high)) for d, run in seams if d.z0 < middle < d.z1]
        owner = _on_a_face(model, outside, middle)
        if owner is None:
            owner = piece_of(model, zone, own, inside_seam=False)
        owners = [owner, *(_inside_owner(model, zone, own, here, k) for k in range(len(here)))]
        if all(one == owner for one in owners):
            found.append((owner, Block(stretch, cuts)))
            continue
        runs = [run for _, run in here]
        for k, piece in enumerate(owners):
            # the seams are sorted by size: each lies within those before it, or beside them
            inside = () if k == 0 else (runs[k - 1],)
            found.append((piece, Block(stretch, cuts, inside, tuple(runs[k:]))))
    return found


def _on_a_face(model: Model, outside: Run, z: float) -> int | None:
    """Return the piece that a flat seam within this outside bounds at this depth: of several the thinnest."""
    faces = {
        d.feature.id for d in model.drawn if kind_of(d.feature).is_face and outside.low < d.z0 < outside.high
    }  # fmt: skip
    found: list[tuple[float, int]] = []
    for number, piece in enumerate(model.part.pieces):
        low = piece.depth_from_mm.value - model.start_z if piece.depth_from_mm else -math.inf
        high = piece.depth_to_mm.value - model.start_z if piece.depth_to_mm else math.inf
        if faces & set(piece.features) and low < z < high:
            found.append((high - low, number))
    return min(found)[1] if found else None


def _inside_owner(model: Model, zone: Zone, own: Drawn, here: list[tuple[Drawn, Run]], k: int) -> int:
    """Return the piece inside the k-th seam: the one the next seam belongs to, else the first that is not outside."""
    plain = piece_of(model, zone, own, inside_seam=True)
    if k + 1 < len(here):
        for number, piece in enumerate(model.part.pieces):
            if here[k + 1][0].feature.id in piece.features and here[k][0].feature.id not in piece.features:
                return number
    return plain


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
        notes.append("Pieces touch along their seams: the gap between them is not cut away.")
    if part.stack.handedness_basis == "assumed":
        notes.append("The slices are assumed to run away from the viewer: otherwise the solid is the mirror image.")
    return tuple(notes)
