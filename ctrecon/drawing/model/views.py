"""The part as it is drawn: X right, Y up, seen from the start end, cut into depth zones.

The part frame is turned about its x axis (y, z and turn change sign together): never
mirrored. X and Y count from the datum axis, depths from the start face. X runs along a side
that can be found on the part itself (`x_reference`), where it has one; else as in the slices.
"""

import itertools
import math
from dataclasses import dataclass, replace

from ctrecon.core.measured import Measured
from ctrecon.drawing.model.edges import (
    AS_FOUND,
    SHOWN,
    TO_MAKE,
    FoundEdge,
    as_found,
    found_at,
    is_made_whole,
    is_sharp,
    is_unsettled,
)
from ctrecon.drawing.model.teeth import crown_teeth, rim_to_make
from ctrecon.drawing.paper.contours import (
    Contour,
    circle,
    contour_of,
    cut_by_circle,
    polyline,
    ring_sector,
    sector_with_chord,
)
from ctrecon.record.kinds import is_crown, is_hole, is_outside, is_seam, kind_of
from ctrecon.record.part import (
    Feature,
    Part,
    depths_in_part_frame,
    outline_in_part_frame,
    place_in_part_frame,
    taper_of,
)

__all__ = [
    "PROJECTIONS", "UNITS", "Drawn", "Model", "Zone", "build_model", "contour_at", "rims_at", "sheet_turn",
]  # fmt: skip

PROJECTIONS = ("first", "third")
"""How views are placed about the section: first or third angle (ISO 5456-2)."""

UNITS = ("mm", "in")
"""Units of length on a sheet; inches stand with mm beside."""


HALF_CIRCLE_DEG = 180.0
"""Less of a bore holds no mandrel."""

WORST_CLOCK_DEG = 1.0
"""A side known worse than this (u) gives no direction."""

LEAST_TAPER_VOXELS = 0.1
"""A diameter that changes by less than this from end to end is drawn parallel: edges are no better known than that."""

SAME_FACE_SLICES = 1.5
"""Ends of features nearer than this are drawn as one face: ends found by slice are good to about one."""


SAME_BREAK_DEG = 15.0
"""A sector that one edge of a ring fragment lacks is within that of the other by this much, and at least half of it: a
break runs roughly along a radius, and beside it an edge may be worn (a judgement)."""


@dataclass(frozen=True)
class Drawn:
    """A feature in sheet axes: its place from the datum, its depths from the start face (mm), its eaten stretches."""

    feature: Feature
    x: float
    y: float
    z0: float
    z1: float
    contour: Contour | None
    found: tuple[FoundEdge, ...] = ()

    @property
    def open_start(self) -> bool:
        """Whether its start lies outside the stack or is unknown."""
        return self.feature.depth_from_mm is None

    @property
    def open_end(self) -> bool:
        """Whether its end lies outside the stack or is unknown."""
        return self.feature.depth_to_mm is None


@dataclass(frozen=True)
class Zone:
    """A range of depth in which the same features are there; rims are cut by reliefs."""

    z0: float
    z1: float
    drawn: tuple[Drawn, ...]
    rims: tuple[tuple[Drawn, Contour], ...]
    holes: tuple[tuple[Drawn, Contour], ...]
    seams: tuple[tuple[Drawn, Contour], ...]


@dataclass(frozen=True)
class Model:
    """The whole part in sheet axes."""

    part: Part
    datum: Feature | None
    datum_xy: tuple[float, float]
    start: Feature | None
    start_z: float
    drawn: tuple[Drawn, ...]
    zones: tuple[Zone, ...]
    has_depth: bool
    x_reference: Feature | None = None
    slices_x_deg: float = 0.0
    projection: str = "first"
    units: str = "mm"
    digits: int | None = None
    edges: str = SHOWN
    elsewhere: frozenset[str] = frozenset()
    """Ids that the detail of an item dimensions: no cut across is drawn for them."""

    @property
    def voxel_mm(self) -> float:
        """The larger edge of a voxel across the part: what is smaller than some of them is not seen."""
        return max(self.part.stack.voxel_mm[1:])

    def of(self, ident: str) -> Drawn:
        """Return the drawn feature with this id."""
        return next(one for one in self.drawn if one.feature.id == ident)


def sheet_turn(feature: Feature) -> float:
    """Return the turn on the sheet: anticlockwise from +X, within one period."""
    if feature.turn_deg is None:
        return 0.0
    period = kind_of(feature).period_deg(feature)
    turned = -feature.turn_deg.value % period
    return 0.0 if period - turned < 1e-9 else turned


def contour_at(drawn: Drawn, z: float) -> Contour | None:
    """Return the contour at this depth: a tapered round feature changes its size."""
    f = drawn.feature
    if f.diameter_mm is None or taper_of(f) is None or drawn.contour is None:
        return drawn.contour
    return _contour(f, drawn.x, drawn.y, [], _wall_at(drawn, z))


def _wall_at(drawn: Drawn, z: float) -> float:
    """Return how far the wall lies outside its place at mid depth (mm)."""
    return kind_of(drawn.feature).wall_per_mm(drawn.feature) * (z - (drawn.z0 + drawn.z1) / 2)


def _contour(
    f: Feature, x: float, y: float, outline: list[tuple[float, float]], by_mm: float = 0.0
) -> Contour | None:
    """Return the feature's own contour about (x, y), its wall moved out, or None for one without area."""
    kind = kind_of(f)
    if kind.is_outlined and len(outline) >= 3:
        return polyline(outline)
    shaped = replace(f, corner_radius_mm=None) if is_sharp(f) else f
    shape = kind.view_shape(shaped, x, y, sheet_turn(f), by_mm)
    if shape is None:
        return None
    lost = kind.arc_left(f)
    if lost is not None and shape.round_of is not None:
        return sector_with_chord(x, y, shape.round_of[2], -(lost[0] + lost[1]), lost[1])
    return contour_of(shape)


def _pick_datum(part: Part) -> Feature | None:
    """Return the feature whose axis is the datum: one that a mandrel, a pin or a chuck can find again on the part.

    A bore or square hole on the middle of the largest outside; else that outside, if it is round, or the largest such
    hole anywhere. An outline of no named shape has no axis to be found by: it is taken where there is nothing else.
    """

    def size(f: Feature) -> float:
        contour = _contour(f, 0.0, 0.0, [(float(x), float(y)) for x, y in outline_in_part_frame(part, f)])
        return contour.area() if contour else 0.0

    placed = [f for f in part.features if f.x_mm and f.y_mm]
    outsides = sorted((f for f in placed if is_outside(f)), key=lambda f: (-size(f), f.id))
    holes = [f for f in placed if is_hole(f) and _has_axis(f) and "not_along_depth" not in f.flags]
    largest = sorted(holes, key=lambda f: (-size(f), f.id))
    if not outsides:
        return next(iter(largest or placed), None)
    first = outsides[0]
    centre, reach = place_in_part_frame(part, first), math.sqrt(size(first))
    near = [(math.dist(place_in_part_frame(part, f), centre), f.id, f) for f in holes]
    near = sorted(one for one in near if one[0] < 0.1 * reach)
    if near:
        return near[0][2]
    if not kind_of(first).is_round and largest:
        return largest[0]
    return next((f for f in outsides if not kind_of(f).is_outlined), first)


def _has_axis(f: Feature) -> bool:
    kind = kind_of(f)
    return not kind.is_outlined and not kind.has_side_pair and (f.arc_deg is None or f.arc_deg >= HALF_CIRCLE_DEG)


def _pick_x_reference(part: Part, datum: Feature | None) -> Feature | None:
    """Return the feature whose flat or long side gives the direction of X: one that can be found on the part.

    The largest flat-sided outside; else a flat-sided hole on the datum axis; None where X stays
    that of the slices.
    """
    shaped = [
        f
        for f in part.features
        if f.turn_deg is not None
        and f.x_mm
        and f.y_mm
        and not kind_of(f).is_toothed
        and not is_seam(f)
        and (f.turn_deg.u is None or f.turn_deg.u < WORST_CLOCK_DEG)
    ]

    def area(f: Feature) -> float:
        contour = _contour(f, 0.0, 0.0, [])
        return contour.area() if contour else 0.0

    outsides = [f for f in shaped if is_outside(f)]
    if outsides:
        return min(outsides, key=lambda f: (-area(f), f.id))
    if datum is None:
        return None
    centre = place_in_part_frame(part, datum)
    on_axis = [f for f in shaped if math.dist(place_in_part_frame(part, f), centre) ** 2 < 0.01 * area(f)]
    return min(on_axis, key=lambda f: (-area(f), f.id), default=None)


def _clock_turn(x_reference: Feature | None) -> float:
    """Return by how many degrees the clock's side stands off X, seen on the sheet, nearest zero."""
    if x_reference is None:
        return 0.0
    period = kind_of(x_reference).period_deg(x_reference)
    turn = sheet_turn(x_reference) % period
    return turn - period if turn > period / 2 else turn


def _clocked(f: Feature, by_deg: float) -> Feature:
    """Return the feature with its directions counted from the sheet's X; places stay as recorded."""
    if by_deg == 0.0:
        return f
    turn = None if f.turn_deg is None else Measured(f.turn_deg.value + by_deg, f.turn_deg.u)
    arc = None if f.arc_from_deg is None else (f.arc_from_deg + by_deg) % 360
    teeth = tuple(
        replace(one, angle_deg=Measured(one.angle_deg.value + by_deg, one.angle_deg.u)) for one in f.tooth_places
    )
    return replace(f, turn_deg=turn, arc_from_deg=arc, tooth_places=teeth)


def _is_depthless(part: Part) -> bool:
    return part.stack.slices < 2


def _straight(part: Part, f: Feature, long: float) -> Feature:
    """Return the feature without a taper that is too small to turn: nobody cuts, or would find, a part of a voxel."""
    taper = taper_of(f)
    if taper is None or abs(taper.value) * long >= LEAST_TAPER_VOXELS * min(part.stack.voxel_mm[1:]):
        return f
    return replace(f, taper_mm_per_mm=None, flags=tuple(flag for flag in f.flags if flag != "tapered"))


def build_model(
    part: Part, *, projection: str = "first", units: str = "mm", edges: str = SHOWN,
    digits: int | None = None, about: Model | None = None,
) -> Model:  # fmt: skip
    """Turn the record into sheet axes and depth zones.

    Parameters
    ----------
    part : Part
        The record.
    projection : {"first", "third"}
        How views are placed about the section.
    units : {"mm", "in"}
        Units of length on the sheet.
    digits : int, optional
        Most decimals of a length in mm in views; 2 by default.
    edges : {"shown", "to-make", "as-found"}
        Which edges the zones have: see `ctrecon.drawing.model.edges`.
    about : Model, optional
        The whole part, of which the record is one piece: its datum and its X are taken.

    Returns
    -------
    Model
        Features, datum and zones; no zones where nothing is placed.
    """
    datum = _pick_datum(part)
    datum_xy = place_in_part_frame(part, datum) if datum else (0.0, 0.0)
    has_depth = not _is_depthless(part)
    depths = {f.id: depths_in_part_frame(part, f) for f in part.features}
    solid = [f for f in part.features if is_outside(f)] or list(part.features)
    start = min(solid, key=lambda f: (depths[f.id][0], f.id), default=None)
    start_z = depths[start.id][0] if start else 0.0
    x_reference = _pick_x_reference(part, datum)
    off_deg = _clock_turn(x_reference)
    if about is not None:
        datum, datum_xy, start, start_z = about.datum, about.datum_xy, about.start, about.start_z
        x_reference, off_deg = about.x_reference, -about.slices_x_deg
    c, s = math.cos(math.radians(-off_deg)), math.sin(math.radians(-off_deg))

    def on_sheet(px: float, py: float) -> tuple[float, float]:
        x, y = px - datum_xy[0], -(py - datum_xy[1])
        return x * c - y * s, x * s + y * c

    drawn: list[Drawn] = []
    for recorded in part.features:
        f = _straight(part, _clocked(recorded, off_deg), depths[recorded.id][1] - depths[recorded.id][0])
        if f.x_mm is None or f.y_mm is None:
            x = y = 0.0
        else:
            px, py = place_in_part_frame(part, f)
            x, y = on_sheet(px, py)
        outline = [on_sheet(float(u), float(v)) for u, v in outline_in_part_frame(part, f)]
        z0, z1 = (depths[f.id][0] - start_z, depths[f.id][1] - start_z) if has_depth else (0.0, 0.0)
        placed = (f.x_mm is not None and f.y_mm is not None) or kind_of(f).is_outlined
        contour = _contour(f, x, y, outline) if placed else None
        if contour is not None and kind_of(f).is_toothed and edges != SHOWN and not is_crown(f):
            contour = rim_to_make(f, x, y) if edges == TO_MAKE or len(outline) < 3 else polyline(outline)
        found = tuple(
            FoundEdge(tuple(on_sheet(float(u), float(v)) for u, v in outline_in_part_frame(part, f, one.edge_mm)),
                      *one.depths(f.depth_from_mm, f.depth_to_mm, z0, z1), one.deepest_mm)
            for one in (f.worn.stretches if f.worn else ())
        )  # fmt: skip
        drawn.append(Drawn(f, x, y, z0, z1, contour, found))
    zones = _zones(drawn, part.stack.voxel_mm[0], edges) if has_depth else _single_zone(drawn, edges)
    return Model(
        part, datum, datum_xy, start, start_z, tuple(drawn), zones, has_depth, x_reference, -off_deg, projection, units,
        digits, edges,
    )  # fmt: skip


def _single_zone(drawn: list[Drawn], edges: str) -> tuple[Zone, ...]:
    shown = [d for d in drawn if d.contour]
    return (_zone(0.0, 0.0, shown, edges),) if shown else ()


def _zones(drawn: list[Drawn], slice_mm: float, edges: str) -> tuple[Zone, ...]:
    """Cut the depth at the features' ends; ends closer than a slice and a half are one face."""
    ends = sorted((z, 0 if is_outside(d.feature) else 1) for d in drawn for z in (d.z0, d.z1))
    faces: list[list[tuple[float, int]]] = []
    for end in ends:
        near = faces and end[0] - faces[-1][-1][0] <= SAME_FACE_SLICES * slice_mm
        if near and end[0] - faces[-1][0][0] <= 2 * SAME_FACE_SLICES * slice_mm:
            faces[-1].append(end)
        else:
            faces.append([end])
    levels = []
    for face in faces:
        best = min(rank for _, rank in face)  # an outside's face is sharper than a seam's end
        values = [z for z, rank in face if rank == best]
        levels.append(sum(values) / len(values))
    zones: list[Zone] = []
    for z0, z1 in itertools.pairwise(levels):
        middle = (z0 + z1) / 2
        here = [d for d in drawn if d.contour and d.z0 < middle < d.z1]
        if here:
            zones.append(_zone(z0, z1, here, edges))
    return tuple(zones)


def _zone(z0: float, z1: float, here: list[Drawn], edges: str) -> Zone:
    """Sort the features of a zone and cut reliefs and broken-out holes into the rims; what time took only as found."""
    middle = (z0 + z1) / 2
    at = {d.feature.id: contour_at(d, middle) for d in here}
    holes = [(d, c) for d in here if is_hole(d.feature) and (c := at[d.feature.id])]
    seams = [(d, c) for d in here if is_seam(d.feature) and (c := at[d.feature.id])]
    reliefs = [d for d in here if kind_of(d.feature).is_relief]
    doubtful = [d for d in reliefs if edges != AS_FOUND and is_unsettled(d.feature)]
    cutters = [d for d in reliefs if d not in doubtful]
    cutters += [d for d, _ in holes if kind_of(d.feature).cuts_rim(d.feature)]
    rims: list[tuple[Drawn, Contour]] = []
    used: set[str] = set()
    for d in here:
        own = at[d.feature.id]
        if not is_outside(d.feature) or own is None:
            continue
        if is_crown(d.feature):
            rims += [(d, tooth) for tooth in crown_teeth(d.feature, d.x, d.y, even=edges == TO_MAKE)]
            continue
        ring = _ring(d, holes, middle)
        broken = ring is not None and edges != TO_MAKE
        whole = own
        if ring is not None and broken:
            used.add(ring[0])
            whole = ring[1]
        elif kind_of(d.feature).is_round and d.feature.diameter_mm:
            whole = circle(d.x, d.y, _radius_at(d, middle))
        cut = whole
        for one in cutters:
            shorter = cut_by_circle(cut, one.x, one.y, _radius_at(one, middle))
            if shorter is not None and not (broken and one.feature.id in used):
                cut = shorter
                used.add(one.feature.id)
        found = found_at(d, middle)
        explained = ring is not None or (found and is_made_whole(d.feature, edges)) or any(
            cut_by_circle(whole, one.x, one.y, _radius_at(one, middle)) for one in doubtful
        )  # fmt: skip
        if cut is whole and not explained:
            cut = own  # nothing explains the missing stretch: closed by its chord
        rims.append((d, as_found(cut, found, hole=False) if edges == AS_FOUND else cut))
    if edges == AS_FOUND:
        holes = [(d, as_found(c, found_at(d, middle), hole=True)) for d, c in holes]
    whole_holes = tuple((d, c) for d, c in holes if d.feature.id not in used)
    return Zone(z0, z1, tuple(here), tuple(rims), whole_holes, tuple(seams))


def rims_at(model: Model, zone: Zone, z: float) -> tuple[tuple[Drawn, Contour], ...]:
    """Return the outsides of a zone as they are at a depth in it: cut edges of tapered ones move too."""
    if not any(contour.round_of is None and taper_of(d.feature) for d, contour in zone.rims):
        return zone.rims
    return _zone(z, z, list(zone.drawn), model.edges).rims


def _radius_at(drawn: Drawn, z: float) -> float:
    size = drawn.feature.diameter_mm
    return (0.0 if size is None else size.value / 2) + _wall_at(drawn, z)


def _ring(rim: Drawn, holes: list[tuple[Drawn, Contour]], z: float) -> tuple[str, Contour] | None:
    """Return a ring fragment: an outside and a hole of one centre that both lost a sector."""
    f = rim.feature
    if f.arc_deg is None or f.arc_deg >= 360 or f.arc_from_deg is None or f.diameter_mm is None:
        return None
    for d, _ in holes:
        g = d.feature
        near = math.dist((d.x, d.y), (rim.x, rim.y)) < 0.1 * f.diameter_mm.value
        if near and _same_gap(f, g) and kind_of(g).cuts_rim(g) and g.diameter_mm:
            radii = _radius_at(rim, z), _radius_at(d, z)
            if radii[1] < radii[0]:
                longer = max(f, g, key=lambda one: one.arc_deg or 0.0)  # worn beside the break, an edge ends early
                start, sweep = longer.arc_from_deg or 0.0, longer.arc_deg or 0.0
                return g.id, ring_sector(rim.x, rim.y, *radii, -(start + sweep), sweep)
    return None


def _same_gap(f: Feature, g: Feature) -> bool:
    """Return whether two edges lack the same sector, one perhaps worn on beside it: they broke together."""
    gaps = []
    for one in (f, g):
        start, arc = one.arc_from_deg, one.arc_deg
        if start is None or arc is None:
            return False
        gaps.append((360.0 - arc, start + arc))
    (narrow, low), (wide, first) = sorted(gaps)
    off = (low - first + 180.0) % 360.0 - 180.0
    return narrow >= wide / 2 and off > -SAME_BREAK_DEG and off + narrow < wide + SAME_BREAK_DEG
