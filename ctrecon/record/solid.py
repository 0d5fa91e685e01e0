"""The solid that a record describes: outsides less their holes, cut by the slices as metal shares of voxels."""

from dataclasses import dataclass, replace

import numpy as np

from ctrecon.core.frames import Floats
from ctrecon.record.eaten import eaten_sections
from ctrecon.record.kinds import is_seam, kind_of
from ctrecon.record.part import Feature, Part, depths_in_part_frame, place_in_part_frame
from ctrecon.record.sections import Section, section_of

__all__ = ["Box", "Prism", "Solid", "solid_of"]

_JOIN_SLICES = 1.0  # ends closer than this are one face seen twice: a thinner gap would be a seam of its own
_LEAST_SHARE = 1e-4
_LOOSE_VOXELS = 4.0
_MORE_VOXELS = 3.0


@dataclass(frozen=True, eq=False)
class Cross:
    """The axis of a hole across: a point and direction in the part frame, radius and ends along it (mm)."""

    point: Floats
    direction: Floats
    radius: float
    first: float
    last: float

    def distance(self, x: Floats, y: Floats, z: Floats) -> Floats:
        """Return the distance to the hole's wall or end, positive inside."""
        dx, dy, dz = (v - np.float32(p) for v, p in zip((x, y, z), self.point, strict=True))
        a, b, c = (np.float32(v) for v in self.direction)
        along = a * dx + b * dy + c * dz
        away = np.sqrt(np.maximum(dx * dx + dy * dy + dz * dz - along * along, 0))
        ends = np.minimum(along - np.float32(self.first), np.float32(self.last) - along)
        return np.asarray(np.minimum(np.float32(self.radius) - away, ends), dtype=np.float32)


@dataclass(frozen=True, eq=False)
class Prism:
    """A section run along the part axis between two depths (part frame, mm; infinite where it runs out)."""

    ident: str
    section: Section
    low: float
    high: float
    middle: float
    growth: float = 0.0
    cross: Cross | None = None

    def distance(self, x: Floats, y: Floats, z: Floats) -> Floats:
        """Return the distance to its side (mm, positive inside); half the size grows with depth."""
        if self.cross is not None:
            return self.cross.distance(x, y, z)
        d = self.section.distance(x, y)
        return d + np.float32(self.growth) * (z - np.float32(self.middle)) if self.growth else d

    @property
    def reach(self) -> float:
        """Largest distance of its side from its middle."""
        if self.cross is not None:
            return self.cross.last - self.cross.first
        if not self.growth or not np.isfinite(self.high - self.low):
            return self.section.reach * (1.1 if self.growth else 1.0)
        return self.section.reach + abs(self.growth) * (self.high - self.low)


@dataclass(frozen=True, eq=False)
class _Gap:
    """A thin gap: along the side of a prism, or (`face`) at one depth."""

    prism: Prism
    thick_mm: float
    face: bool = False
    keep_out: tuple[Prism, ...] = ()


Box = tuple[slice, slice]


@dataclass(frozen=True, eq=False)
class Solid:
    """Outsides with the prisms that cut each, and thin gaps; places in the stack's voxels."""

    bodies: tuple[tuple[Prism, tuple[Prism, ...]], ...]
    gaps: tuple[_Gap, ...]
    all: tuple[Prism, ...]
    rotation: Floats
    voxel_mm: tuple[float, float, float]
    shape: tuple[int, int, int]

    def coverage(self, index: int) -> Floats:
        """Return the share of metal in every voxel of a slice (rows, columns; float32), sharp.

        `index` may lie outside the stack: what runs out of it is taken to run on.
        """
        out = np.zeros(self.shape[1:], dtype=np.float32)
        for body, cuts in self.bodies:
            box = self._box(body, index)
            if box is None:
                continue
            share = self._share(body, index, box)
            for cut in cuts:
                inner = self._box(cut, index, box)
                if inner is not None:
                    part = np.s_[
                        inner[0].start - box[0].start : inner[0].stop - box[0].start,
                        inner[1].start - box[1].start : inner[1].stop - box[1].start,
                    ]
                    share[part] *= 1 - self._share(cut, index, inner)
            out[box] = np.minimum(out[box] + share, 1.0)
        for gap in self.gaps:
            box = self._box(gap.prism, index)
            if box is not None:
                out[box] *= 1 - self._gap_share(gap, index, box)
        return out

    def reaches(self, index: int) -> bool:
        """Return whether any of the solid may lie in a slice."""
        return any(self._box(body, index) is not None for body, _ in self.bodies)

    def window(self, first: int, last: int, room: int) -> Box:
        """Return the rows and columns that hold the solid in all of these slices, with room about it."""
        boxes = [b for body, _ in self.bodies for k in range(first, last + 1) if (b := self._box(body, k)) is not None]
        if not boxes:
            return slice(0, self.shape[1]), slice(0, self.shape[2])
        rows, columns = (
            slice(max(min(b[i].start for b in boxes) - room, 0), min(max(b[i].stop for b in boxes) + room, n))
            for i, n in enumerate(self.shape[1:])
        )
        return rows, columns

    def slack(self, index: int) -> Floats | None:
        """Return, per voxel, how many times the usual allowance edges get that the record only knows roughly.

        None where no edge of the slice is of that sort.
        """
        out: Floats | None = None
        for prism in self.all:
            box = None if prism.section.loose is None or prism.cross is not None else self._box(prism, index)
            if box is None or prism.section.loose is None:
                continue
            if out is None:
                out = np.ones(self.shape[1:], dtype=np.float32)
            x, y, _ = self._grid(index, box)
            near = np.abs(prism.section.loose(x, y)) < _LOOSE_VOXELS * self._widths[0]
            out[box] = np.where(near, np.maximum(out[box], np.float32(prism.section.slack)), out[box])
        return out

    def nearest(self, x_mm: float, y_mm: float, z_mm: float) -> tuple[str, float]:
        """Return the id of the feature whose surface is nearest to a place in the stack, and its distance (mm)."""
        best = ("", float("inf"))
        p = self.rotation @ np.array([x_mm, y_mm, z_mm])
        for prism in self.all:
            side = float(prism.distance(*(np.array([v], dtype=np.float32) for v in p))[0])
            above, below = p[2] - prism.high, prism.low - p[2]
            beyond = max(float(above), float(below))
            gap = abs(side) if beyond <= 0 else float(np.hypot(beyond, min(side, 0.0)))
            if side > 0 and beyond <= 0:
                gap = min(gap, -beyond)
            if gap < best[1]:
                best = (prism.ident, gap)
        return best

    def _grid(self, index: int, box: Box) -> tuple[Floats, Floats, Floats]:
        dz, dy, dx = self.voxel_mm
        x = np.arange(box[1].start, box[1].stop) * dx
        y = (np.arange(box[0].start, box[0].stop) * dy)[:, None]
        r, z = self.rotation, index * dz
        px, py, pz = (np.asarray(r[a, 0] * x + r[a, 1] * y + r[a, 2] * z, dtype=np.float32) for a in range(3))
        return px, py, pz

    @property
    def _widths(self) -> tuple[float, float]:
        """Width of a voxel (mm) seen square to a wall along the axis, and along the axis."""
        dz, dy, dx = self.voxel_mm
        lean2 = float(1 - self.rotation[2, 2] ** 2)
        return float(np.sqrt(dx * dy + dz**2 * lean2 / 2)), float(np.sqrt(dz**2 * (1 - lean2) + dx * dy * lean2))

    def _box(self, prism: Prism, index: int, within: Box | None = None) -> Box | None:
        """Return the rows and columns a prism can reach in a slice, None where it reaches none."""
        dz, dy, dx = self.voxel_mm
        r, z = self.rotation, index * dz
        at = np.linalg.solve(r[:2, :2], prism.section.centre - r[:2, 2] * z)
        reach = prism.reach / r[2, 2]
        middle = r[2] @ np.array([at[0], at[1], z])
        slack = reach * float(np.hypot(r[2, 0], r[2, 1])) + 2 * self._widths[1]
        if middle + slack < prism.low or middle - slack > prism.high:
            return None
        sides = []
        for centre, edge, count, limit in (
            (at[1], dy, self.shape[1], None if within is None else within[0]),
            (at[0], dx, self.shape[2], None if within is None else within[1]),
        ):
            start = max(int(np.floor((centre - reach) / edge)) - 2, 0 if limit is None else limit.start)
            stop = min(int(np.ceil((centre + reach) / edge)) + 3, count if limit is None else limit.stop)
            if stop <= start:
                return None
            sides.append(slice(start, stop))
        return sides[0], sides[1]

    def _share(self, prism: Prism, index: int, box: Box) -> Floats:
        x, y, z = self._grid(index, box)
        across, along = self._widths
        if prism.cross is not None:
            width = np.float32(np.sqrt(across * along))
            return np.asarray(np.clip(0.5 + prism.distance(x, y, z) / width, 0, 1), dtype=np.float32)
        share = np.clip(0.5 + prism.distance(x, y, z) / np.float32(across), 0, 1)
        if np.isfinite(prism.low):
            share *= np.clip(0.5 + (z - np.float32(prism.low)) / np.float32(along), 0, 1)
        if np.isfinite(prism.high):
            share *= np.clip(0.5 + (np.float32(prism.high) - z) / np.float32(along), 0, 1)
        return np.asarray(share, dtype=np.float32)

    def _gap_share(self, gap: _Gap, index: int, box: Box) -> Floats:
        x, y, z = self._grid(index, box)
        across, along = self._widths
        prism, half = gap.prism, abs(gap.thick_mm) / 2
        if gap.face:
            d, width = z - np.float32(prism.low), along
            limit = np.clip(0.5 + prism.distance(x, y, z) / np.float32(across), 0, 1)
            for inner in gap.keep_out:
                limit = limit * np.clip(0.5 - inner.distance(x, y, z) / np.float32(across), 0, 1)
        else:
            d, width = prism.distance(x, y, z), across
            limit = np.clip(0.5 + (z - np.float32(prism.low)) / np.float32(along), 0, 1)
            limit = limit * np.clip(0.5 + (np.float32(prism.high) - z) / np.float32(along), 0, 1)
        share = np.clip(0.5 + (half - d) / width, 0, 1) - np.clip(0.5 + (-half - d) / width, 0, 1)
        return np.asarray(np.sign(gap.thick_mm) * share * limit, dtype=np.float32)


def solid_of(part: Part, *, as_found: bool = False) -> Solid:
    """Return the solid the record describes; with `as_found`, less what it says is worn away.

    A hole cuts every outside it meets in depth, except one that stands wholly inside it (an
    island). Where a hole ends within a slice of the end of its outside it is taken to run
    out there, and outsides that meet within a slice are joined: errors of a hundredth of a
    millimetre must not leave skins and slits that nobody measured.
    """
    rotation = part.rotation
    dz, dy, dx = part.stack.voxel_mm
    made = {}
    eaten = []
    for feature in part.features:
        section = section_of(part, feature, min(dy, dx))
        if section is not None:
            made[feature.id] = own = _prism(part, feature, section)
            if as_found:
                bites = eaten_sections(part, feature, section, min(dy, dx), (own.low, own.high))
                eaten += [_bite(own, *bite) for bite in bites]
    join = _JOIN_SLICES * dz
    outsides = [made[f.id] for f in part.features if f.id in made and kind_of(f).is_outside]
    cutters = [made[f.id] for f in part.features if f.id in made and kind_of(f).is_cutter]
    outsides = _joined(outsides, join)
    bodies = tuple((one, (*_cuts(one, cutters, join), *eaten)) for one in outsides)
    shape = (part.stack.slices, part.stack.rows, part.stack.columns)
    gaps = tuple(_gaps(part, made, outsides, join))
    return Solid(bodies, gaps, (*made.values(), *eaten), rotation, (dz, dy, dx), shape)


def _prism(part: Part, feature: Feature, section: Section) -> Prism:
    low, high = depths_in_part_frame(part, feature)
    middle = (low + high) / 2
    if feature.cross_diameter_mm is not None and feature.cross_direction_xyz is not None:
        cross = _cross(part, feature, feature.cross_diameter_mm.value / 2, feature.cross_direction_xyz, section, middle)
        lean = abs(float(cross.direction[2])) * (cross.last - cross.first)
        half = cross.radius + lean
        return Prism(feature.id, section, middle - half, middle + half, middle, cross=cross)
    return Prism(
        feature.id,
        section,
        -np.inf if feature.depth_from_mm is None else low,
        np.inf if feature.depth_to_mm is None else high,
        middle,
        kind_of(feature).wall_per_mm(feature),
    )


def _bite(own: Prism, section: Section, low: float, high: float) -> Prism:
    """Return what was eaten of a prism's edge, within the prism's depths."""
    return Prism(own.ident, section, max(low, own.low), min(high, own.high), own.middle)


def _cross(
    part: Part,
    feature: Feature,
    radius: float,
    direction_xyz: tuple[float, float, float],
    section: Section,
    middle: float,
) -> Cross:
    """Return the hole's own axis; its ends are those of its outline and a little more, so that no skin closes it."""
    rotation = part.rotation
    direction = rotation @ np.asarray(direction_xyz)
    point = np.array([*place_in_part_frame(part, feature), middle])
    along = (section.outline - point[:2]) @ direction[:2]
    more = _MORE_VOXELS * float(np.sqrt(part.stack.voxel_mm[1] * part.stack.voxel_mm[2]))
    return Cross(point, direction, radius, float(along.min()) - more, float(along.max()) + more)


def _joined(outsides: list[Prism], join: float) -> list[Prism]:
    """Move ends that face each other within a slice to their middle."""
    out = list(outsides)
    for i, lower in enumerate(out):
        for j, upper in enumerate(out):
            near = i != j and abs(lower.high - upper.low) < join
            if near and np.hypot(*(lower.section.centre - upper.section.centre)) < lower.reach + upper.reach:
                meet = (out[i].high + out[j].low) / 2
                out[i], out[j] = replace(out[i], high=meet), replace(out[j], low=meet)
    return out


def _cuts(body: Prism, cutters: list[Prism], join: float) -> list[Prism]:
    out = []
    slack = min(join, 0.3 * (body.high - body.low))
    for cut in cutters:
        if min(body.high, cut.high) - max(body.low, cut.low) < min(slack, 0.5 * (cut.high - cut.low)):
            continue
        rim = body.section.outline
        if cut.cross is not None:
            out.append(cut)
            continue
        if bool((cut.section.distance(rim[:, 0], rim[:, 1]) > 0).all()):
            continue
        low = -np.inf if cut.low < body.low + slack else cut.low
        out.append(replace(cut, low=low, high=np.inf if cut.high > body.high - slack else cut.high))
    return out


def _gaps(part: Part, made: dict[str, Prism], outsides: list[Prism], join: float) -> list[_Gap]:
    out = []
    for feature in part.features:
        if not is_seam(feature) or feature.seam_mm is None or abs(feature.seam_mm.value) < _LEAST_SHARE * join:
            continue
        thick = feature.seam_mm.value
        if not kind_of(feature).is_face:
            if feature.id in made:
                prism = made[feature.id]
                ends = [e for one in outsides for e in (one.low, one.high)]
                low, high = (_snapped(e, ends, join) for e in (prism.low, prism.high))
                out.append(_Gap(replace(prism, low=low, high=high), thick))
            continue
        level = depths_in_part_frame(part, feature)[0]
        inner = tuple(
            made[f.id]
            for f in part.features
            if is_seam(f) and f.id in made and f.id != feature.id
            and (abs(made[f.id].low - level) < 2 * join or abs(made[f.id].high - level) < 2 * join)
        )  # fmt: skip
        inner = tuple(replace(p, low=-np.inf, high=np.inf) for p in inner)
        reach = made.get(feature.id)
        across = [reach] if reach is not None else [o for o in outsides if o.low - join < level < o.high + join][:1]
        out += [_Gap(replace(one, low=level, high=level), thick, True, inner) for one in across]
    return out


def _snapped(end: float, ends: list[float], join: float) -> float:
    """Return the face a seam ends in, or its own end where none is within a slice."""
    nearest = min(ends, key=lambda e: abs(e - end), default=end)
    return nearest if abs(nearest - end) < join else end
