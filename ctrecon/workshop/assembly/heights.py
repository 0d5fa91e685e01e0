"""Faces of one part along its axis: heights above its seat and lengths of its steps, each face counted once.

A height is a sum of faces seen in the scan and of lengths typed or made; in the distance of two faces what both hang
on cancels exactly. Heights count from the seat: the face by which the part rests on what is under it.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import sqrt

from ctrecon.core.measured import Measured
from ctrecon.workshop.assembly.model import PlannedSize
from ctrecon.workshop.assembly.own import Level, OwnPart, OwnStep

__all__ = ["Face", "Faces", "axial_keys", "faces_of", "size_between"]

Term = Level | PlannedSize
"""A face seen in the scan, or a length typed or made."""


@dataclass(frozen=True)
class Face:
    """A face as a sum of terms with their factors, and the face of the scan it answers to; the seat has no terms."""

    at: Level
    terms: tuple[tuple[Term, float], ...] = ()

    @property
    def z(self) -> float:
        """Height above the seat (mm)."""
        return sum(factor * (one.z if isinstance(one, Level) else one.value) for one, factor in self.terms)

    def plus(self, *more: tuple[Term, float], at: Level) -> "Face":
        """Return another face, so much higher; terms that cancel are left out."""
        total: dict[Term, float] = {}
        for one, factor in (*self.terms, *more):
            total[one] = total.get(one, 0.0) + factor
        return Face(at, tuple((one, factor) for one, factor in total.items() if abs(factor) > 1e-12))

    def to(self, level: Level) -> "Face":
        """Return a face at its distance in the scan."""
        return self if level == self.at else self.plus((level, 1.0), (self.at, -1.0), at=level)


@dataclass(frozen=True)
class Faces:
    """Lower and upper face of each step of a part, from the lowest step up; `first` is the step that it rests on."""

    part: OwnPart
    pairs: tuple[tuple[Face, Face], ...]
    first: int = 0
    made: Mapping[str, PlannedSize] = field(default_factory=dict)

    @property
    def seat(self) -> Face:
        """The face heights count from."""
        return self.pairs[self.first][0]

    @property
    def lowest(self) -> Face:
        """The lowest face."""
        return min((pair[0] for pair in self.pairs), key=lambda one: one.z)

    @property
    def highest(self) -> Face:
        """The highest face."""
        return max((pair[1] for pair in self.pairs), key=lambda one: one.z)


def _foot(part: OwnPart, foot: str | None) -> int:
    return next((n for n, one in enumerate(part.steps) if one.id == foot), 0)


def axial_keys(part: OwnPart, foot: str | None = None) -> dict[str, str]:
    """Return the keys of all lengths along the axis, with the words for them."""
    keys = {f"{part.id}.thickness": f"thickness of {part.id}"}
    if len(part.steps) > 1:
        for number, one in enumerate(part.steps):
            keys[f"{part.id}.{one.id}.length"] = f"length of {one.id} of {part.id}"
            if number >= _foot(part, foot):
                keys[f"{part.id}.{one.id}.height"] = f"height of {part.id} from its seat to the top of {one.id}"
    return keys


def faces_of(part: OwnPart, foot: str | None = None, made: Mapping[str, PlannedSize] | None = None) -> Faces:
    """Return the faces of a part, what was made in the place of what was measured.

    Parameters
    ----------
    part : OwnPart
        The part by itself.
    foot : str, optional
        Id of the step whose lower face is the seat; the lowest step where it is left out.
    made : mapping of str to PlannedSize, optional
        Sizes of the real piece by key: a length moves all faces beyond it, away from the seat; a height or the
        thickness sets a face by itself.
    """
    made = made or {}
    steps, first = part.steps, _foot(part, foot)
    pairs: dict[int, tuple[Face, Face]] = {}
    face = seat = Face(steps[first].low)
    for number in reversed(range(first)):
        upper = face.to(steps[number].high)
        face = _reached(part, steps[number], upper, steps[number].low, -1.0, made)
        pairs[number] = (face, upper)
    face = seat
    for number in range(first, len(steps)):
        one = steps[number]
        low = face.to(one.low)
        face = _reached(part, one, low, one.high, 1.0, made)
        height = made.get(f"{part.id}.{one.id}.height")
        if height is not None:
            face = Face(one.high, ((height, 1.0),))
        whole = made.get(f"{part.id}.thickness")
        if whole is not None and number == len(steps) - 1:
            face = (pairs[0][0] if first else seat).plus((whole, 1.0), at=one.high)
        pairs[number] = (low, face)
    return Faces(part, tuple(pairs[number] for number in range(len(steps))), first, made)


def _reached(
    part: OwnPart, step: OwnStep, start: Face, level: Level, way: float, made: Mapping[str, PlannedSize]
) -> Face:
    """Return the other face of a step: by its made or typed length, else as seen."""
    length = made.get(f"{part.id}.{step.id}.length") or step.length
    return start.to(level) if length is None else start.plus((length, way), at=level)


def size_between(part: OwnPart, key: str, words: str, low: Face, high: Face) -> PlannedSize:
    """Return the distance of two faces of a part as one size; what both hang on counts once, or not at all.

    Parameters
    ----------
    part : OwnPart
        Says what its sizes share.
    key, words : str
        Of the size.
    low, high : Face
        The faces.
    """
    way = high.plus(*((one, -factor) for one, factor in low.terms), at=high.at)
    given = [one for one, _ in way.terms if isinstance(one, PlannedSize)]
    if len(given) == 1 and len(way.terms) == 1 and given[0].key == key:
        return given[0]
    parts = [(one.u if isinstance(one, Level) else one.size.u, factor) for one, factor in way.terms]
    u = None
    if all(one is not None for one, _ in parts):
        u = sqrt(sum((factor * (one or 0.0)) ** 2 for one, factor in parts))
    seen = [(one, factor) for one, factor in way.terms if isinstance(one, Level)]
    along = part.shared.along
    scale = sum(factor * one.z for one, factor in seen) * (along or 0.0) if along is not None or not seen else None
    basis = part.basis if not given else "inferred" if len(way.terms) > 1 or len(given) > 1 else given[0].basis
    return PlannedSize(
        key=key, words=words, size=Measured(way.z, u), basis=basis, scan=part.shared.scan if seen else None,
        scale_u=scale, edge_u=sum(factor * one.edge for one, factor in seen),
    )  # fmt: skip
