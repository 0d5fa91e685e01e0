"""Records of two invented parts, written by hand: a stepped hub and a plate without symmetry."""

import math
from dataclasses import replace
from typing import Any

import numpy as np

from ctrecon.core.frames import rotation_to_part
from ctrecon.core.measured import Measured
from ctrecon.record.part import Axis, Evidence, Feature, Part, Piece, StackInfo, Warn

U = 0.002


def m(value: float, u: float | None = U) -> Measured:
    """Return a measured value with the usual u."""
    return Measured(value, u)


def feature(ident: str, kind: str, x: float, y: float, z0: float | None, z1: float | None, **more: Any) -> Feature:
    """Return a feature standing at part-frame (x, y) from z0 to z1 (straight part)."""
    known = z0 is not None and z1 is not None
    return Feature(
        id=ident, kind=kind, x_mm=m(x), y_mm=m(y),
        depth_from_mm=None if z0 is None else m(z0), depth_to_mm=None if z1 is None else m(z1),
        length_mm=m(z1 - z0) if known and z0 is not None and z1 is not None else None, **more,
    )


def stack(name: str, slices: int = 200, **more: Any) -> StackInfo:
    """Return a stack of 0.05 mm voxels."""
    given: dict[str, Any] = {"scale_basis": "stated", "handedness_basis": "assumed"} | more
    return StackInfo(source=name, slices=slices, rows=400, columns=400, voxel_mm=(0.05, 0.05, 0.05), **given)


def tilted(part: Part, tilt_deg: float, towards_deg: float) -> Part:
    """Tilt a straight part in its stack: part-frame places become stack places."""
    a, b = math.radians(tilt_deg), math.radians(towards_deg)
    direction = (math.sin(a) * math.cos(b), math.sin(a) * math.sin(b), math.cos(a))
    back = rotation_to_part(direction).T
    middle_mm = np.array([9.0, 9.0, 3.5])  # turned about the middle of the part, then set 1 mm into the stack
    features = []
    for f in part.features:
        assert f.x_mm and f.y_mm and f.depth_from_mm and f.depth_to_mm
        middle = (f.depth_from_mm.value + f.depth_to_mm.value) / 2
        point = back @ (np.array([f.x_mm.value, f.y_mm.value, middle]) - middle_mm) + middle_mm + [0.0, 0.0, 1.0]
        half = (f.depth_to_mm.value - f.depth_from_mm.value) / 2 * direction[2]
        ring = np.array([(*spot, middle) for spot in f.outline_mm or ()]).reshape(-1, 3)
        ring = (ring - middle_mm) @ back.T + middle_mm + [0.0, 0.0, 1.0]
        ring = ring - np.outer((ring[:, 2] - point[2]) / direction[2], direction)  # along the axis to mid depth
        features.append(
            replace(
                f,
                x_mm=m(float(point[0])),
                y_mm=m(float(point[1])),
                depth_from_mm=m(float(point[2]) - half),
                depth_to_mm=m(float(point[2]) + half),
                outline_mm=tuple((float(u), float(v)) for u, v, _ in ring) or None,
            )
        )
    own = {f.id: f for f in features}
    pieces = tuple(
        replace(
            p,
            depth_from_mm=min((own[i].depth_from_mm for i in p.features), key=lambda z: z.value),  # type: ignore[union-attr]
            depth_to_mm=max((own[i].depth_to_mm for i in p.features), key=lambda z: z.value),  # type: ignore[union-attr]
        )
        for p in part.pieces
    )
    return replace(part, features=tuple(features), pieces=pieces, axis=Axis(tilt_deg=m(tilt_deg, 0.02), direction_xyz=direction))


def hub(tilt_deg: float = 1.3) -> Part:
    """Return the hub: flange, drum, spacer pressed on a square, relief in the spacer's rim, bore."""
    c = 9.0
    # the relief's circle meets the rim where the cosine rule says: how much of the rim is left
    reach, big, small = 6.5, 5.0, 2.5
    lost = 2 * math.degrees(math.acos((reach**2 + big**2 - small**2) / (2 * reach * big)))
    inside = 2 * math.degrees(math.acos((reach**2 + small**2 - big**2) / (2 * reach * small)))
    towards = 215.0
    rx, ry = c + reach * math.cos(math.radians(towards)), c + reach * math.sin(math.radians(towards))
    features = (
        feature("F1", "round_outside", c, c, 0.0, 1.5, diameter_mm=m(12.0)),
        feature("F2", "round_hole", c, c, 0.0, 7.0, diameter_mm=m(3.0), opens_at=("start", "end")),
        feature("F3", "round_outside", c, c, 1.5, 4.5, diameter_mm=m(8.2)),
        feature(
            "F4", "round_outside", c, c, 4.5, 6.1, diameter_mm=m(10.0),
            arc_deg=360 - lost, arc_from_deg=(towards + lost / 2) % 360,
        ),
        feature(
            "F5", "arc_outside", rx, ry, 4.5, 6.1, diameter_mm=m(5.0),
            arc_deg=inside, arc_from_deg=(towards + 180 - inside / 2) % 360,
        ),
        feature("F6", "square_seam", c, c, 4.5, 6.1, flats_mm=m(5.0), turn_deg=m(20.0, 0.05), seam_mm=m(0.01)),
        feature(
            "F7", "square_outside", c, c, 6.1, 7.0, flats_mm=m(5.0), turn_deg=m(20.0, 0.05),
            flats_pair_mm=(m(5.0), m(5.0)),
        ),
    )
    why = Evidence(kind="seam", features=("F6",), weight=4.2, says="a square seam shows on slices 90 to 122")
    pieces = (
        Piece(
            id="P1", name="body", depth_from_mm=m(0.0), depth_to_mm=m(7.0), features=("F1", "F2", "F3", "F7"),
            verdict="separate", probability_separate=None, evidence=(why,),
        ),
        Piece(
            id="P2", name="spacer", depth_from_mm=m(4.5), depth_to_mm=m(6.1), features=("F4", "F5", "F6"),
            verdict="separate", probability_separate=None, evidence=(why,),
        ),
    )
    part = Part(
        name="hub", made_with="ctrecon 0.1.0", stack=stack("hub"), axis=None, features=features, pieces=pieces,
        warnings=(Warn(flag="handedness_assumed", says="the files do not say which way the slices run"),),
    )
    return tilted(part, tilt_deg, 70.0)


def plate() -> Part:
    """Return the plate: a rectangle that lost a corner, four squares, two tapered holes, a bore."""
    cx, cy = 10.0, 8.0
    sq = [(0.0, -4.1), (6.4, 0.3), (-0.4, 4.1), (-6.6, 0.0)]
    turns = [0.0, 3.0, 44.0, 88.0]
    features = [
        feature(
            "F1", "rectangular_outside", cx, cy, 0.0, 1.5, flats_pair_mm=(m(16.0), m(11.0)), turn_deg=m(0.0, 0.05),
            flags=("corner_missing",),
        )
    ]
    for k, ((x, y), turn) in enumerate(zip(sq, turns, strict=True)):
        features.append(
            feature(
                f"F{k + 2}",
                "square_hole",
                cx + x,
                cy + y,
                0.0,
                1.5,
                flats_mm=m(1.9),
                turn_deg=m(turn, 0.1),
                corner_radius_mm=m(0.12, 0.02),
                opens_at=("start", "end"),
            )
        )
    for k, (x, y, d) in enumerate([(-5.2, -3.4, 1.1), (4.6, 3.1, 1.2)]):
        features.append(
            feature(
                f"F{k + 6}",
                "round_hole",
                cx + x,
                cy + y,
                0.0,
                1.5,
                diameter_mm=m(d),
                taper_mm_per_mm=m(0.02, 0.001),
                flags=("tapered",),
                opens_at=("start", "end"),
            )
        )
    features.append(feature("F8", "round_hole", cx, cy, 0.0, 1.5, diameter_mm=m(3.0), opens_at=("start", "end")))
    return Part(
        name="plate", made_with="ctrecon 0.1.0", stack=stack("plate", 60, scale_u_rel=(0.0004, 0.0004, 0.0004)),
        axis=Axis(tilt_deg=m(0.0, 0.02), direction_xyz=(0.0, 0.0, 1.0)), features=tuple(features),
    )


def plain(name: str, features: tuple[Feature, ...], **more: Any) -> Part:
    """Return an upright part with these features and no pieces."""
    given: dict[str, Any] = {
        "stack": stack(name, handedness_basis="file"),
        "axis": Axis(tilt_deg=m(0.0, 0.02), direction_xyz=(0.0, 0.0, 1.0)),
    } | more
    return Part(name=name, made_with="ctrecon 0.1.0", features=features, **given)


def disc(diameter: float, thick: float, name: str = "disc") -> Part:
    """Return a plain disc with a bore of a quarter of its diameter."""
    c = diameter
    return plain(
        name,
        (
            feature("F1", "round_outside", c, c, 0.0, thick, diameter_mm=m(diameter)),
            feature("F2", "round_hole", c, c, 0.0, thick, diameter_mm=m(diameter / 4)),
        ),
    )


def many(count: int) -> Part:
    """Return a plate with `count` holes of slightly different sizes in rows."""
    features = [
        feature("F1", "rectangular_outside", 30.0, 20.0, 0.0, 2.0, flats_pair_mm=(m(56.0), m(36.0)), turn_deg=m(0.0))
    ]
    for k in range(count - 1):
        x, y = 6.0 + 4.9 * (k % 10) + 0.13 * (k // 10), 5.0 + 5.6 * (k // 10) + 0.11 * (k % 10)
        features.append(feature(f"F{k + 2}", "round_hole", x, y, 0.0, 2.0, diameter_mm=m(1.0 + 0.01 * k)))
    return plain("many", tuple(features))


def single_slice() -> Part:
    """Return a square with a round hole seen in one slice only."""
    why = {"depth_from_mm": "a single slice has no depth", "depth_to_mm": "a single slice has no depth"}
    features = (
        feature("F1", "square_outside", 6.0, 6.0, None, None, flats_mm=m(8.0), turn_deg=m(12.0, 0.1), unknown=why),
        feature("F2", "round_hole", 7.0, 5.0, None, None, diameter_mm=m(2.0), unknown=why),
    )
    return plain(
        "one slice", features, stack=stack("one", 1), axis=None, unknown={"axis": "a single slice has no depth"}
    )


def open_ended() -> Part:
    """Return a shaft that runs out of the stack at its end, with a blind hole from the start."""
    features = (
        feature("F1", "round_outside", 5.0, 5.0, 0.5, 2.0, diameter_mm=m(6.0)),
        feature("F2", "round_outside", 5.0, 5.0, 2.0, None, diameter_mm=m(4.0), flags=("runs_out_of_stack",),
                unknown={"depth_to_mm": "it reaches the last slice"}),
        feature("F3", "round_hole", 5.0, 5.0, 0.5, 1.6, diameter_mm=m(1.5), taper_mm_per_mm=m(-0.2, 0.01)),
    )
    return plain("open shaft", features, stack=stack("open", 120, handedness_basis="file"))


def blob(cx: float, cy: float, size: float) -> tuple[tuple[float, float], ...]:
    """Return a closed, lopsided outline."""
    angles = [2 * math.pi * k / 90 for k in range(90)]
    reach = [size * (1 + 0.2 * math.cos(2 * a) + 0.1 * math.sin(3 * a)) for a in angles]
    return tuple((cx + r * math.cos(a), cy + r * math.sin(a)) for a, r in zip(angles, reach, strict=True))


def medley() -> Part:
    """Return a part with every other kind: free shapes, slot, polygons, rectangle, wheel, face seam."""
    c = 20.0
    features = (
        feature("F1", "free_outside", c, c, 0.0, 2.0, area_mm2=m(1000.0, 1.0), outline_mm=blob(c, c, 15.0)),
        feature("F2", "slot", c + 7, c + 3, 0.0, 2.0, flats_pair_mm=(m(6.0), m(2.0)), turn_deg=m(30.0, 0.1)),
        feature("F3", "polygon_hole", c - 8, c + 2, 0.0, 2.0, flats_mm=m(4.0), sides=6, turn_deg=m(10.0, 0.1)),
        feature("F4", "rectangular_hole", c, c - 8, 0.0, 2.0, flats_pair_mm=(m(5.0), m(3.0)), turn_deg=m(170.0, 0.1),
                basis="inferred"),
        feature("F5", "round_hole", c, c, 0.0, 5.0, diameter_mm=m(4.0, None), basis="assumed"),
        feature("F6", "face_seam", c, c, 2.0, 2.0, seam_mm=m(0.01)),
        feature("F7", "wheel", c, c, 2.0, 4.0, tip_diameter_mm=m(18.0), root_diameter_mm=m(15.0), teeth=24,
                turn_deg=m(3.0, 0.1)),
        feature("F8", "free_hole", c + 5, c + 4, 2.0, 4.0, area_mm2=m(5.0, 0.1), outline_mm=blob(c + 5, c + 4, 1.2)),
        feature("F9", "polygon_outside", c, c, 4.0, 5.0, flats_mm=m(8.0), sides=6, turn_deg=m(25.0, 0.1),
                basis="stated"),
    )
    return plain("medley", features, stack=stack("medley", 120, scale_u_rel=(None, 0.001, 0.001)))


def fragment() -> Part:
    """Return a stretch of a ring: an outside and a hole of one centre, 140 degrees of each."""
    features = (
        feature("F1", "round_outside", 10.0, 10.0, 0.0, 3.0, diameter_mm=m(16.0), arc_deg=140.0, arc_from_deg=20.0),
        feature("F2", "round_hole", 10.0, 10.0, 0.0, 3.0, diameter_mm=m(10.0), arc_deg=140.0, arc_from_deg=20.0),
    )
    return plain("ring fragment", features)


def d_shaft() -> Part:
    """Return a shaft whose rim lost a stretch with nothing to explain it."""
    return plain(
        "d shaft",
        (feature("F1", "round_outside", 5.0, 5.0, 0.0, 3.0, diameter_mm=m(8.0), arc_deg=270.0, arc_from_deg=45.0),),
    )


def nothing() -> Part:
    """Return a record without features."""
    says = "nothing that could be measured was found"
    return plain("empty", (), axis=None, warnings=(Warn(flag="nothing_to_measure", says=says),))


def tiny() -> Part:
    """Return a disc of 1 mm."""
    return disc(1.0, 0.6, "tiny")


def huge() -> Part:
    """Return a disc of 300 mm."""
    return disc(300.0, 40.0, "huge")


def sixty() -> Part:
    """Return a plate with 59 holes."""
    return many(60)


def twelve() -> Part:
    """Return a plate with 11 holes."""
    return many(12)


def fine() -> Part:
    """Return a bar with a pin hole, a small slot and a small square: all under 3 mm on paper."""
    c = 30.0
    features = (
        feature("F1", "rectangular_outside", c, c, 0.0, 6.0, flats_pair_mm=(m(52.0), m(24.0)), turn_deg=m(0.0, 0.02)),
        feature("F2", "round_hole", c, c, 0.0, 6.0, diameter_mm=m(8.0), opens_at=("start", "end")),
        feature("F3", "round_hole", c - 18.0, c - 6.0, 0.0, 6.0, diameter_mm=m(0.8), opens_at=("start", "end")),
        feature("F4", "square_hole", c + 17.0, c + 5.0, 0.0, 6.0, flats_mm=m(0.7), turn_deg=m(20.0, 0.1)),
    )
    return plain("fine", features)


def lopsided() -> Part:
    """Return a stepped part with no mirror symmetry: a plate, a block on it off the middle, a blind hole, a bore."""
    x, y = 20.0, 15.0
    features = (
        feature("F1", "rectangular_outside", x, y, 0.0, 3.0, flats_pair_mm=(m(30.0), m(20.0)), turn_deg=m(0.0, 0.02)),
        feature("F2", "round_hole", x, y, 0.0, 8.0, diameter_mm=m(5.0), opens_at=("start", "end")),
        feature("F3", "round_hole", x + 11.0, y - 6.0, 0.0, 2.0, diameter_mm=m(4.0), opens_at=("start",)),
        feature("F4", "rectangular_outside", x - 2.0, y + 1.0, 3.0, 8.0, flats_pair_mm=(m(14.0), m(9.0)),
                turn_deg=m(0.0, 0.02)),
    )
    return plain("lopsided", features)


def stacked() -> Part:
    """Return three discs stacked on flat seams, the middle one undecided."""
    c = 12.0
    features = (
        feature("F1", "round_outside", c, c, 0.0, 4.0, diameter_mm=m(20.0)),
        feature("F2", "face_seam", c, c, 4.0, 4.0, seam_mm=m(0.01)),
        feature("F3", "round_outside", c, c, 4.0, 7.0, diameter_mm=m(14.0)),
        feature("F4", "face_seam", c, c, 7.0, 7.0, seam_mm=m(0.01)),
        feature("F5", "round_outside", c, c, 7.0, 9.0, diameter_mm=m(17.0)),
        feature("F6", "round_hole", c, c, 0.0, 9.0, diameter_mm=m(6.0), opens_at=("start", "end")),
    )
    spans = (("P1", "base", 0.0, 4.0, "F1", "separate"), ("P2", "ring", 4.0, 7.0, "F3", "undecided"),
             ("P3", "cap", 7.0, 9.0, "F5", "separate"))
    pieces = tuple(
        Piece(id=ident, name=name, depth_from_mm=m(low), depth_to_mm=m(high), features=(own,), verdict=verdict,
              probability_separate=0.9)
        for ident, name, low, high, own, verdict in spans
    )
    return plain("stacked", features, pieces=pieces)


def collared() -> Part:
    """Return a shaft of 80 mm with a collar 0.8 mm long: under 3 mm on paper at any scale that holds the shaft."""
    c = 20.0
    features = (
        feature("F1", "round_outside", c, c, 0.0, 30.0, diameter_mm=m(12.0)),
        feature("F2", "round_outside", c, c, 30.0, 30.8, diameter_mm=m(20.0)),
        feature("F3", "round_outside", c, c, 30.8, 80.0, diameter_mm=m(10.0)),
    )
    return plain("collared", features, stack=stack("collared", 1700, handedness_basis="file"))
