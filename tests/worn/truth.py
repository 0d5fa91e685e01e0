"""What is true of a worn part, in its own frame (px) and as the part record must say it (stack frame, mm).

Sizes are square to the axis at mid depth and of the sound shape, whatever is eaten; ends are where the feature's own
axis crosses its end faces; flats and diameter of a seam are those of the middle of its gap.
"""

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from worn.render import Layer, Pose
from worn.scan import Scanner
from worn.shapes import Floats
from worn.strength import noise_of, share_left

LIMIT = 6.2
"""Strength of the seams that are told in 95 of 100 trials at 1 % false alarms: those of the project's targets (0.048,
0.015, 0.007 voxel over 1, 10, 50 slices of a square of 32 px, SNR 20), said as `seam_strength` says it."""

WEAK = 10.0
"""A seam below this strength (in standard deviations of the best filter, all of the seam at once, rings and streaks
counted as noise) is scored apart: a search over a million places needs about six, wear, and noise that has to be
learnt from the scan itself, take the rest (own reckoning, no source)."""


@dataclass(frozen=True, kw_only=True)
class True_:
    """One true feature in the part's own frame, px and degrees.

    `pair`: both flats of a square, longer and shorter side of a rectangle or slot. `taper` is the change of diameter
    per px along the axis. `surface` (of a seam) is its area, px². `free` is set where a worn free outline has no
    sound size to compare with. `optional`: neither missed nor extra (inserts, whose kind the record does not know; what
    shows in less than four slices becomes so when it is told).
    """

    kind: str
    x: float = 0.0
    y: float = 0.0
    low: float
    high: float
    diameter: float | None = None
    pair: tuple[float, float] | None = None
    area: float | None = None
    seam: float | None = None
    surface: float = 0.0
    teeth: int | None = None
    tip: float | None = None
    root: float | None = None
    inner: float | None = None
    turn: float | None = None
    angles: tuple[float, ...] = ()
    period: float = 90.0
    taper: float | None = None
    arc: float = 360.0
    worn: bool = False
    optional: bool = False


@dataclass(frozen=True, kw_only=True)
class TruePiece:
    """A piece of metal: its name and its ends on the part's axis, px."""

    name: str
    low: float
    high: float


@dataclass(frozen=True, kw_only=True)
class Made:
    """A part in its own frame: what is rendered (distance, grey), what is true, how far it reaches (px)."""

    layers: tuple[Layer, ...]
    truths: tuple[True_, ...]
    pieces: tuple[TruePiece, ...]
    reach: float
    low: float
    high: float


@dataclass(frozen=True, kw_only=True)
class Scanned:
    """A part in its stack: slices, voxel edges (mm), features and pieces as the record must say them."""

    kind: str
    seed: int
    slices: Any
    voxel_mm: tuple[float, float, float]
    px_mm: float
    features: list[dict[str, Any]] = field(default_factory=list)
    pieces: list[dict[str, Any]] = field(default_factory=list)
    scan: dict[str, Any] = field(default_factory=dict)


def _ends(pose: Pose, x: float, y: float, low: float, high: float) -> tuple[Floats, float | None, float | None]:
    """The axis midway along what the stack shows, and both ends in depth (px); None where one runs out of it."""
    last = (pose.shape[0] - 1) * pose.voxel[0]
    a, b = pose.to_stack(x, y, low), pose.to_stack(x, y, high)
    inside = [0.0 <= p[2] <= last for p in (a, b)]
    if high <= low:
        return a, float(a[2]), float(a[2])
    shown = [min(max(float(p[2]), 0.0), last) for p in (a, b)]
    middle = a + ((shown[0] + shown[1]) / 2 - a[2]) / (b[2] - a[2]) * (b - a)
    return middle, float(a[2]) if inside[0] else None, float(b[2]) if inside[1] else None


def seam_strength(one: True_, pose: Pose, scanner: Scanner, reach: float) -> float:
    """How many standard deviations the best filter sees of a seam when its place is known."""
    if not one.seam:
        return 0.0
    edge = pose.voxel[0] if one.kind == "face_seam" else 1.0
    blur = float(np.hypot(scanner.psf, edge * np.sqrt(1 / 12)))
    noise = noise_of(scanner, pose, blur)
    plain = float(one.seam * np.sqrt(one.surface / (2 * np.sqrt(np.pi) * blur * noise)))
    return plain if one.kind == "face_seam" else plain * _share_left(one, pose, scanner, reach)


def _share_left(one: True_, pose: Pose, scanner: Scanner, reach: float) -> float:
    """What rings and streaks leave of a side seam; flat seams cross them, and differ from them in every slice."""
    half = one.diameter / 2 if one.diameter is not None else sum(one.pair) / 4 if one.pair is not None else 0.0
    if not half:
        return 1.0
    turn = np.radians(one.turn or 0.0)

    def line(x: Floats, y: Floats) -> Floats:
        x, y = x - one.x, y - one.y
        if one.pair is None:
            return np.asarray(np.hypot(x, y) - half)
        u, v = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
        return np.asarray(np.maximum(np.abs(u) - one.pair[0] / 2, np.abs(v) - one.pair[1] / 2))

    return share_left(line, half + float(np.hypot(one.x, one.y)), one.low, one.high, pose, scanner, reach)


def tell(one: True_, pose: Pose, scanner: Scanner, mm: float, reach: float) -> dict[str, Any]:
    """Say one feature as the record must say it."""
    middle, low, high = _ends(pose, one.x, one.y, one.low, one.high)
    told: dict[str, Any] = {
        "kind": one.kind, "x_mm": float(middle[0]) * mm, "y_mm": float(middle[1]) * mm,
        "depth_from_mm": None if low is None else low * mm, "depth_to_mm": None if high is None else high * mm,
        "worn": one.worn, "optional": one.optional or not _shows(one, pose), "insert": one.optional, "weak": False,
    }  # fmt: skip
    if one.taper is not None:
        told["taper_mm_per_mm"] = one.taper
    shift = 0.0
    if (low is None or high is None) and one.taper:
        shown = [0.0 if low is None else low, (pose.shape[0] - 1) * pose.voxel[0] if high is None else high]
        ends = pose.to_stack(one.x, one.y, one.low)[2], pose.to_stack(one.x, one.y, one.high)[2]
        shift = one.taper * (sum(shown) - sum(ends)) / 2 / float(pose.axis[2])
    if one.diameter is not None:
        told["diameter_mm"] = (one.diameter + shift) * mm
    for name, value in (("seam_mm", one.seam), ("tip_diameter_mm", one.tip), ("root_diameter_mm", one.root), ("inner_mm", one.inner)):
        if value is not None:
            told[name] = value * mm
    if one.pair is not None:
        told["flats_pair_mm"] = [v * mm for v in one.pair]
        told["flats_mm"] = sum(one.pair) / 2 * mm
    if one.area is not None:
        told["area_mm2"] = one.area * mm**2
    if one.teeth is not None:
        told["teeth"] = one.teeth
    if one.angles:
        told["tooth_angles_deg"] = list(one.angles)
    if one.turn is not None:
        told["turn_deg"], told["period_deg"] = one.turn % one.period, one.period
    if one.kind.endswith("_seam"):
        told["strength"] = round(seam_strength(one, pose, scanner, reach), 2)
        told["weak"] = told["strength"] < WEAK
    told["arc_deg"] = one.arc
    return told


def tell_all(made: Made, pose: Pose, scanner: Scanner, mm: float) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Features and pieces of a part as the record must say them."""
    features = [tell(one, pose, scanner, mm, made.reach) for one in made.truths if _shows(one, pose, least=0.0)]
    pieces = []
    for piece in made.pieces:
        _, low, high = _ends(pose, 0.0, 0.0, piece.low, piece.high)
        pieces.append({
            "name": piece.name, "depth_from_mm": None if low is None else low * mm,
            "depth_to_mm": None if high is None else high * mm,
        })  # fmt: skip
    return features, pieces


def _shows(one: True_, pose: Pose, least: float = 4.0) -> bool:
    """Whether more than so many slices show a feature."""
    last = (pose.shape[0] - 1) * pose.voxel[0]
    low, high = (float(pose.to_stack(one.x, one.y, z)[2]) for z in (one.low, one.high))
    if one.kind == "face_seam":
        return 0 < low < last
    return min(high, last) - max(low, 0.0) > least * pose.voxel[0]
