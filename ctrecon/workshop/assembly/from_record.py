"""A part by itself, from its record: outlines, steps, holes and seams with their u, seen from the face that lies up."""

from collections.abc import Mapping
from dataclasses import replace
from math import hypot

import numpy as np
from shapely import Polygon, affinity

from ctrecon.core.errors import InputError
from ctrecon.core.measured import Measured
from ctrecon.record.kinds import Kind, is_hole, is_outside, is_seam, kind_of
from ctrecon.record.part import (
    Feature,
    Part,
    depths_in_part_frame,
    outline_in_part_frame,
    place_in_part_frame,
    scale_u_along,
)  # fmt: skip
from ctrecon.record.sensitivity import edge_u_of
from ctrecon.workshop.assembly.model import PlannedSize
from ctrecon.workshop.assembly.own import Level, OwnHole, OwnPart, OwnStep, Shared

__all__ = ["own_from_record"]

_CIRCLE_POINTS = 256
_THINNEST_SEAM_MM = 0.01
"""A seam is drawn this wide at the least, so that it has an area to keep out of."""

_LEAST_AREA_MM2 = 1e-6

_ONE_FACE_MM = 0.02
"""Ends of two steps this near are one face, however sure either is: a shoulder that narrow cannot be cut."""


def own_from_record(
    part: Part, ident: str, *, names: Mapping[str, str], face_up: str = "start", shared: Shared | None = None
) -> OwnPart:
    """Return what a record holds of a part, seen from one of its faces.

    Parameters
    ----------
    part : Part
        The record.
    ident : str
        The part's id in the assembly, with which all keys begin.
    names : mapping of str to str
        What features are called here, by their ids: axes and names from the file; the others keep their id.
    face_up : {"start", "end"}
        Which face lies on top.
    shared : Shared, optional
        The scan and its scale; the record's own where it is left out.

    Raises
    ------
    InputError
        If the record has no outside with a place and both ends; without file and key.
    """
    shared = shared or Shared(ident, scale_u_along(part, "along"), scale_u_along(part, "across"))
    reader = _Reader(part, ident, names, face_up == "start", shared)
    placed = [one for one in part.features if one.basis == "measured" and "not_along_depth" not in one.flags]
    reliefs = [one for one in placed if kind_of(one).is_relief]
    outsides = [one for one in placed if is_outside(one)]
    steps = [reader.step(one, reliefs, alone=len(outsides) == 1) for one in outsides]
    if not steps:
        raise InputError("its record shows no outside, so it has no outline; take a record of the whole part")
    steps.sort(key=lambda one: (one.low.z + one.high.z, one.id))
    holes = tuple(reader.hole(one) for one in placed if is_hole(one))
    seams = tuple(shape for one in placed if is_seam(one) and (shape := reader.seam(one)) is not None)
    notes = []
    if part.stack.handedness_basis == "assumed":
        notes.append(
            "nobody knows whether its slices run towards the viewer or away (away is assumed): a wrong guess mirrors it"
        )
    if any(kind_of(one).is_face for one in placed):
        notes.append("a flat seam runs across it, parallel to its faces")
    return OwnPart(
        id=ident, steps=_meeting(steps), holes=holes, seams=seams, shared=shared, basis="measured", notes=tuple(notes)
    )


def _meeting(steps: list[OwnStep]) -> tuple[OwnStep, ...]:
    """Let a step begin on the face that the one below ends on, where both were seen as one: the surer of the two."""
    out = steps[:1]
    for one in steps[1:]:
        below = out[-1].high
        near = max(3.0 * hypot(below.u or 0.0, one.low.u or 0.0), _ONE_FACE_MM)
        if abs(one.low.z - below.z) <= near:
            face = min((below, one.low), key=lambda level: (level.u is None, level.u))
            out[-1], one = replace(out[-1], high=face), replace(one, low=face)
        out.append(one)
    return tuple(out)


class _Reader:
    """Turns features of one record into sections seen from above."""

    def __init__(self, part: Part, ident: str, names: Mapping[str, str], start_up: bool, shared: Shared) -> None:
        self.part, self.ident, self.names, self.start_up, self.shared = part, ident, names, start_up, shared

    def _called(self, one: Feature) -> str:
        return self.names.get(one.id, one.id)

    def _size(self, one: Feature, quantity: str, value: Measured, key: str, words: str) -> PlannedSize:
        """Return a size across the axis with what it shares."""
        self._need_size(one, value.value)
        answer = one.sensitivity.get(quantity)
        sign = 0.0 if answer is None else float(np.sign(answer.edge))
        scale = value.scale_u
        if scale is None and self.shared.across is not None:
            scale = value.value * self.shared.across
        return PlannedSize(
            key=key, words=words, size=Measured(value.value, value.u), basis="measured", scan=self.shared.scan,
            scale_u=scale, edge_u=sign * edge_u_of(self.part, one, quantity), feature=one.id,
        )  # fmt: skip

    @staticmethod
    def _need_size(one: Feature, value: float) -> None:
        if value <= 0:
            raise InputError(f"its record gives {one.id} a size of {value:g} mm, which is none; measure it again")

    def _levels(self, one: Feature) -> tuple[Level, Level]:
        """Return its lower and its upper face as it lies in the assembly."""
        start, end = depths_in_part_frame(self.part, one)
        known = (one.depth_from_mm, one.depth_to_mm)
        faces = []
        for z, depth, quantity in zip((start, end), known, ("depth_from_mm", "depth_to_mm"), strict=True):
            answer = one.sensitivity.get(quantity)
            edge = 0.0 if answer is None else float(np.sign(answer.edge)) * edge_u_of(self.part, one, quantity)
            up = -1.0 if self.start_up else 1.0
            faces.append(Level(up * z, None if depth is None else depth.u, up * edge))
        return (faces[1], faces[0]) if self.start_up else (faces[0], faces[1])

    def _plan(self, shape: Polygon) -> Polygon:
        """Turn the plan (y down the slices) into one seen from above: mirrored where the first slice lies on top."""
        return affinity.affine_transform(shape, [1.0, 0.0, 0.0, -1.0 if self.start_up else 1.0, 0.0, 0.0])

    def _place(self, one: Feature) -> tuple[Measured, Measured]:
        x, y = place_in_part_frame(self.part, one)
        u_x, u_y = (None if m is None else m.u for m in (one.x_mm, one.y_mm))
        return Measured(x, u_x), Measured(-y if self.start_up else y, u_y)

    def _turn(self, one: Feature) -> float:
        if one.turn_deg is None or kind_of(one).is_round:
            return 0.0
        turn = one.turn_deg.value
        return (-turn if self.start_up else turn) % kind_of(one).period_deg(one)

    def section(self, one: Feature) -> Polygon | None:
        """Return the section at mid depth, seen from above; None where the record holds none."""
        kind = kind_of(one)
        if kind.is_outlined and one.outline_mm:
            return _whole(self._plan(Polygon(outline_in_part_frame(self.part, one))))
        if one.x_mm is None or one.y_mm is None:
            return None
        x, y = place_in_part_frame(self.part, one)
        shape = kind.shape(one, x, y, 0.0 if one.turn_deg is None else one.turn_deg.value)
        if shape is None:
            return None
        if shape.round_of is not None:
            # corners outside the circle, so that the area is that of the circle: no length is lost to chords
            cx, cy, radius = shape.round_of
            angle = np.arange(_CIRCLE_POINTS) * (2 * np.pi / _CIRCLE_POINTS)
            wide = radius * float(np.sqrt(2 * np.pi / _CIRCLE_POINTS / np.sin(2 * np.pi / _CIRCLE_POINTS)))
            ring = Polygon(np.column_stack([cx + wide * np.cos(angle), cy + wide * np.sin(angle)]))
        else:
            ring = Polygon(shape.outline(_CIRCLE_POINTS))
        return _whole(self._plan(ring))

    def hole(self, one: Feature) -> OwnHole:
        """Return a hole with its sizes; what is neither round, square nor a slot is an outline."""
        kind, called = kind_of(one), self._called(one)
        plain = "slot" if kind.is_round_ended else _section_of(kind)
        sizes = kind.main_sizes(one)
        low, high = self._levels(one)
        key = f"{self.ident}.{called}"
        shape = self.section(one) or Polygon()
        if shape.is_empty and sizes and one.x_mm is not None and one.y_mm is not None:
            raise InputError(f"its record holds no section of {one.id}: a size of it is none; measure it again")
        long = None
        if len(sizes) > 1 and kind.has_side_pair:
            (first, longer), (second, shorter) = sizes[0], sizes[1]
            long = self._size(one, first.quantity, longer, f"{key}.long", f"length of {called} in {self.ident}")
            across = self._size(one, second.quantity, shorter, key, f"width of {called} in {self.ident}")
        elif sizes:
            size, value = sizes[0]
            across = self._size(one, size.quantity, value, key, f"{size.words} of {called} in {self.ident}")
        else:
            wide = 2.0 * float(np.sqrt(shape.area / np.pi))
            self._need_size(one, wide)
            across = PlannedSize(
                key=key, words=f"mean diameter of {called} in {self.ident}", size=Measured(wide), basis="measured",
                scan=self.shared.scan, scale_u=None, feature=one.id,
            )  # fmt: skip
        if one.x_mm is None and not shape.is_empty:
            x, y = Measured(shape.centroid.x, None), Measured(shape.centroid.y, None)
        else:
            x, y = self._place(one)
        return OwnHole(
            id=called, kind=plain, across=across, long=long, x=x, y=y, turn_deg=self._turn(one), low=low, high=high,
            shape=shape, feature=one.id, turn_u=None if one.turn_deg is None else one.turn_deg.u,
        )  # fmt: skip

    def step(self, one: Feature, reliefs: list[Feature], *, alone: bool) -> OwnStep:
        """Return an outside with its sizes; the reliefs that touch it are taken out."""
        kind, called = kind_of(one), self._called(one)
        if one.depth_from_mm is None or one.depth_to_mm is None:
            raise InputError(f"its record does not know both ends of {one.id}; measure a stack that holds all of it")
        shape = self.section(one)
        if shape is None:
            raise InputError(f"its record holds no section of {one.id}; measure it again")
        low, high = self._levels(one)
        for relief in reliefs:
            cut, (start, end) = self.section(relief), self._levels(relief)
            shared = min(high.z, end.z) - max(low.z, start.z)
            if cut is not None and shared > 0.5 * min(high.z - low.z, end.z - start.z):
                shape = _whole(shape.difference(cut)) or shape
        at = self.ident if alone else f"{self.ident}.{called}"
        where = self.ident if alone else f"{called} of {self.ident}"
        sizes = kind.main_sizes(one)
        spelled = alone or len(sizes) > 1
        across = tuple(
            self._size(one, size.quantity, value, f"{at}.{size.typed}" if spelled else at, f"{size.words} of {where}")
            for size, value in sizes
        )
        plain = _section_of(kind)
        middle = Measured(shape.centroid.x), Measured(shape.centroid.y)
        x, y = middle if one.x_mm is None else self._place(one)
        edge = None if one.turn_deg is None or not (kind.is_square or kind.has_side_pair) else self._turn(one)
        return OwnStep(
            id=called, kind=plain, across=across, x=x, y=y, turn_deg=self._turn(one), low=low, high=high, shape=shape,
            feature=one.id, turn_u=None if one.turn_deg is None else one.turn_deg.u, edge_deg=edge,
        )  # fmt: skip

    def seam(self, one: Feature) -> Polygon | None:
        """Return the gap as wide as it is, seen from above; None of a flat seam."""
        if kind_of(one).is_face:
            return None
        shape = self.section(one)
        if shape is None:
            return None
        half = max((one.seam_mm.value if one.seam_mm is not None else 0.0) / 2, _THINNEST_SEAM_MM / 2)
        ring = shape.exterior.buffer(half)
        return ring if isinstance(ring, Polygon) else None


def _section_of(kind: Kind) -> str:
    """Return what a plan calls a section: round, square, or an outline."""
    return "round" if kind.is_round else "square" if kind.is_square else "outline"


def _whole(shape: object) -> Polygon | None:
    """Return the largest polygon of a shape, None where there is none."""
    parts = list(getattr(shape, "geoms", [shape]))
    found = [one if one.is_valid else one.buffer(0) for one in parts if isinstance(one, Polygon)]
    found = [one for one in found if isinstance(one, Polygon) and one.area > _LEAST_AREA_MM2]
    return max(found, key=lambda one: one.area, default=None)
