"""One part in its place, from the part by itself, its motion in the plane and its faces along Z."""

from collections.abc import Mapping
from math import hypot

from shapely import Polygon
from shapely.ops import unary_union

from ctrecon.core.measured import Measured
from ctrecon.workshop.assembly.entries import Entry
from ctrecon.workshop.assembly.heights import Faces
from ctrecon.workshop.assembly.model import PlannedHole, PlannedPart, PlannedSize, PlannedStep
from ctrecon.workshop.assembly.own import REPEATS_DEG, Level, OwnHole, OwnPart, OwnStep
from ctrecon.workshop.assembly.place import Motion
from ctrecon.workshop.assembly.stacking import axial_sizes

__all__ = ["all_sizes", "planned_part"]


def all_sizes(own: OwnPart, faces: Faces) -> dict[str, PlannedSize]:
    """Return every size of a part by key: along its axis, across its steps, of its holes."""
    out = axial_sizes(faces)
    for step in own.steps:
        out |= {one.key: one for one in step.across}
    for hole in own.holes:
        out[hole.across.key] = hole.across
        if hole.long is not None:
            out[hole.long.key] = hole.long
    return out


# many: a part is its table, its faces, its motion and what was measured or made
def planned_part(
    entry: Entry,
    own: OwnPart,
    faces: Faces,
    seat_z: float,
    motion: Motion,
    *,
    rests_on: str | None,
    measured: Mapping[str, PlannedSize],
    extra: Mapping[str, PlannedSize],
    notes: tuple[str, ...] = (),
) -> PlannedPart:
    """Return the part in its place.

    Parameters
    ----------
    entry : Entry
        Its table.
    own : OwnPart
        The part by itself, with made sizes.
    faces : Faces
        Its faces, with made sizes.
    seat_z : float
        Z of its seat (mm).
    motion : Motion
        How it lies in the plane.
    rests_on : str or None
        What is under it.
    measured, extra : mapping of str to PlannedSize
        Its sizes before anything was made; distances of its faces that a chain needs.
    notes : tuple of str
        What was noted in placing it.
    """
    sizes = {**all_sizes(own, faces), **extra}
    thickness = sizes[f"{own.id}.thickness"].size
    steps = tuple(
        _step(own, one, low.z + seat_z, high.z + seat_z, motion, sizes)
        for one, (low, high) in zip(own.steps, faces.pairs, strict=True)
    )
    holes = tuple(_hole(one, own, faces, seat_z, motion) for one in own.holes)
    outline = unary_union([one.shape for one in steps])
    return PlannedPart(
        id=own.id, name=entry.name, role=entry.role, thickness=thickness,
        outline=_filled(outline, steps), from_z=faces.lowest.z + seat_z, to_z=faces.highest.z + seat_z, holes=holes,
        steps=steps, moving=entry.moving, sweep_radius=_sweep(entry, own, steps, motion),
        axis=entry.placing.axis or None, sizes=sizes,
        measured=measured, record=entry.record, face_up=entry.face_up, rests_on=rests_on, material=entry.material,
        seams=tuple(motion.shape(one) for one in own.seams), notes=(*own.notes, *notes), riveted=entry.riveted,
    )  # fmt: skip


def _sweep(entry: Entry, own: OwnPart, steps: tuple[PlannedStep, ...], motion: Motion) -> Measured | None:
    """Return the radius a moving part sweeps: as typed, else as far as it reaches from its axis."""
    if not entry.moving or entry.sweep is not None:
        return entry.sweep
    x, y = motion.to
    reaches = []
    for own_step, step in zip(own.steps, steps, strict=True):
        far = max(hypot(px - x, py - y) for px, py in step.shape.exterior.coords)
        size = own_step.across[0].size if own_step.across else Measured(2 * far)
        # a round step reaches as far as its circle, not as the corners of the polygon drawn for it
        off = hypot(*(a - b for a, b in zip(motion.point(own_step.x.value, own_step.y.value), motion.to, strict=True)))
        value = far if REPEATS_DEG[step.kind] else size.value / 2 + off
        reaches.append(Measured(value, None if size.u is None else size.u / 2))
    return max(reaches, key=lambda one: one.value)


def _filled(outline: object, steps: tuple[PlannedStep, ...]) -> Polygon:
    """Return the outline over all as one polygon."""
    if isinstance(outline, Polygon):
        return Polygon(outline.exterior)
    return max((one.shape for one in steps), key=lambda one: one.area)


def _step(
    own: OwnPart, one: OwnStep, low: float, high: float, motion: Motion, sizes: Mapping[str, PlannedSize]
) -> PlannedStep:
    single = len(one.across) == 1
    length = f"{own.id}.{one.id}.length" if len(own.steps) > 1 else f"{own.id}.thickness"
    return PlannedStep(
        id=one.id, kind=one.kind, size=one.across[0].size if single else None,
        turn_deg=motion.turn(one.turn_deg, one.kind), from_z=low, to_z=high, shape=motion.shape(one.shape),
        size_key=one.across[0].key if single else None, length_key=length if length in sizes else None,
        feature=one.feature,
    )  # fmt: skip


def _hole(one: OwnHole, own: OwnPart, faces: Faces, seat_z: float, motion: Motion) -> PlannedHole:
    low, high = (_z_of(level, own, faces) for level in (one.low, one.high))
    return PlannedHole(
        id=one.id, axis=one.axis, kind=one.kind, size=one.across.size,
        place=motion.place(one.x, one.y), turn_deg=motion.turn(one.turn_deg, one.kind),
        from_z=low + seat_z, to_z=high + seat_z, shape=motion.shape(one.shape), size_key=one.across.key,
        long=None if one.long is None else one.long.size, feature=one.feature,
    )  # fmt: skip


_SAME_FACE_MM = 0.1
"""An end of a hole this near a face of its part comes out in that face; tilted axes cross it a little off."""


def _z_of(level: Level, own: OwnPart, faces: Faces) -> float:
    """Return the height above the seat of the end of a hole: at a face of the part where it ends in one."""
    flat = [
        (abs(edge.z - level.z), face.z, edge.z)
        for step, pair in zip(own.steps, faces.pairs, strict=True)
        for edge, face in zip((step.low, step.high), pair, strict=True)
    ]
    apart, height, seen = min(flat)
    return height if apart <= _SAME_FACE_MM else height + level.z - seen
