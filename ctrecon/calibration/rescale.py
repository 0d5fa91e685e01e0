"""The record as it reads when the voxel edges were wrong by known factors."""

from dataclasses import replace

import numpy as np

from ctrecon.core.frames import Floats, rotation_to_part
from ctrecon.core.measured import Measured
from ctrecon.record.kinds import kind_of
from ctrecon.record.part import (
    RELATION_KINDS,
    Axis,
    Feature,
    Flank,
    Part,
    Piece,
    ToothPlace,
    Worn,
    WornStretch,
)
from ctrecon.record.sensitivity import normal_at, with_sensitivity

__all__ = ["rescaled"]

_SAME = 1e-12


def _times(measured: Measured | None, factor: float) -> Measured | None:
    if measured is None:
        return None
    return Measured(measured.value * factor, None if measured.u is None else measured.u * factor)


class _Stretch:
    """The three factors, and what they do to sizes of each direction."""

    def __init__(self, part: Part, factor_zyx: Floats) -> None:
        self.x, self.y, self.z = (float(one) for one in np.asarray(factor_zyx)[::-1])
        self.xyz = np.array([self.x, self.y, self.z])
        self.even = float(np.ptp(self.xyz)) < _SAME
        self.old = np.array([0.0, 0.0, 1.0] if part.axis is None else part.axis.direction_xyz)
        self.old = self.old / np.linalg.norm(self.old)
        raw = self.xyz * self.old
        self.along = self.x if self.even else float(np.linalg.norm(raw))
        self.new = self.old if self.even else raw / np.linalg.norm(raw)
        back = rotation_to_part(self.old).T
        self.across = self.x if self.even else float(np.mean([self.between(back[:, k]) for k in (0, 1)]))

    def between(self, normal: Floats) -> float:
        """Return the factor of the distance between two parallel faces with this normal."""
        return self.x if self.even else 1.0 / float(np.linalg.norm(np.asarray(normal) / self.xyz))

    def turn_by(self, turn_deg: float) -> float:
        """Return by how much (degrees) a normal with this turn swings in the part frame."""
        if self.even:
            return 0.0
        normal = rotation_to_part(self.new) @ (normal_at(self.old, turn_deg) / self.xyz)
        swung = float(np.degrees(np.arctan2(normal[1], normal[0]))) - turn_deg
        return (swung + 180.0) % 360.0 - 180.0


def rescaled(part: Part, factor_zyx: Floats) -> Part:
    """Return the record with voxel edges (z, y, x) multiplied, and everything that follows from them.

    Values and u follow exactly; flags, evidence and texts stay.
    """
    by = _Stretch(part, factor_zyx)
    dz, dy, dx = part.stack.voxel_mm
    stack = replace(part.stack, voxel_mm=(dz * by.z, dy * by.y, dx * by.x))
    axis = part.axis
    if axis is not None and not by.even:
        tilt = float(np.degrees(np.arctan2(np.hypot(by.new[0], by.new[1]), by.new[2])))
        axis = Axis(
            tilt_deg=Measured(tilt, axis.tilt_deg.u),
            direction_xyz=(float(by.new[0]), float(by.new[1]), float(by.new[2])),
            direction_u_deg=axis.direction_u_deg,
        )
    out = replace(
        part,
        stack=stack,
        axis=axis,
        features=tuple(_feature(one, by) for one in part.features),
        pieces=tuple(_piece(one, by) for one in part.pieces),
        relations=tuple(
            replace(one, value=_times(one.value, by.across)) if RELATION_KINDS.get(one.kind) == "mm" else one
            for one in part.relations
        ),
    )
    return with_sensitivity(out)


def _piece(piece: Piece, by: _Stretch) -> Piece:
    return replace(piece, depth_from_mm=_times(piece.depth_from_mm, by.z), depth_to_mm=_times(piece.depth_to_mm, by.z))


def _feature(feature: Feature, by: _Stretch) -> Feature:
    turn = feature.turn_deg
    pair = feature.flats_pair_mm
    t = 0.0 if turn is None else turn.value
    pair_by = [by.between(normal_at(by.old, t + more)) for more in (0.0, 90.0)]
    across = by.across
    if pair is not None:
        flats = _times(feature.flats_mm, (pair_by[0] + pair_by[1]) / 2)
    else:
        flats = _times(feature.flats_mm, across)
    if turn is not None:
        turn = Measured((turn.value + by.turn_by(turn.value)) % kind_of(feature).period_deg(feature), turn.u)
    return replace(
        feature,
        x_mm=_times(feature.x_mm, by.x),
        y_mm=_times(feature.y_mm, by.y),
        depth_from_mm=_times(feature.depth_from_mm, by.z),
        depth_to_mm=_times(feature.depth_to_mm, by.z),
        length_mm=_times(feature.length_mm, by.along),
        diameter_mm=_times(feature.diameter_mm, across),
        tip_diameter_mm=_times(feature.tip_diameter_mm, across),
        root_diameter_mm=_times(feature.root_diameter_mm, across),
        inner_diameter_mm=_times(feature.inner_diameter_mm, across),
        tooth_width_mm=_times(feature.tooth_width_mm, across),
        flank=None if feature.flank is None else _flank(feature.flank, across),
        tooth_places=tuple(_tooth(one, by) for one in feature.tooth_places),
        flats_mm=flats,
        flats_pair_mm=None if pair is None else tuple(_times(o, k) for o, k in zip(pair, pair_by, strict=True)),  # type: ignore[arg-type]
        turn_deg=turn,
        corner_radius_mm=_times(feature.corner_radius_mm, across),
        roundness_mm=_times(feature.roundness_mm, across),
        taper_mm_per_mm=_times(feature.taper_mm_per_mm, across / by.along),
        area_mm2=_times(feature.area_mm2, across**2),
        seam_mm=_times(feature.seam_mm, by.along if kind_of(feature).is_face else across),
        outline_mm=None if feature.outline_mm is None else tuple((x * by.x, y * by.y) for x, y in feature.outline_mm),
        alternatives=tuple(
            replace(one, sizes={k: v * across if k.endswith("_mm") else v for k, v in one.sizes.items()})
            for one in feature.alternatives
        ),
        worn=None if feature.worn is None else _worn(feature.worn, by),
        form={k: v if k.endswith("_deg") else _times(v, across) or v for k, v in feature.form.items()},
    )


def _flank(flank: Flank, across: float) -> Flank:
    return replace(flank, profile_mm=tuple((r * across, w * across) for r, w in flank.profile_mm))


def _tooth(one: ToothPlace, by: _Stretch) -> ToothPlace:
    turned = (one.angle_deg.value + by.turn_by(one.angle_deg.value)) % 360.0
    return replace(one, angle_deg=Measured(turned, one.angle_deg.u))


def _worn(worn: Worn, by: _Stretch) -> Worn:
    def depth(z: float | None) -> float | None:
        return None if z is None else z * by.z

    stretches = tuple(
        WornStretch(
            edge_mm=tuple((x * by.x, y * by.y) for x, y in one.edge_mm), deepest_mm=one.deepest_mm * by.across,
            depth_from_mm=depth(one.depth_from_mm), depth_to_mm=depth(one.depth_to_mm),
        )
        for one in worn.stretches
    )  # fmt: skip
    return replace(worn, deepest_mm=_times(worn.deepest_mm, by.across) or worn.deepest_mm, stretches=stretches)


