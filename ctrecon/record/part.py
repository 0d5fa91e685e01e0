"""The part record: everything measured on one part, as frozen dataclasses.

Every output reads this and nothing else. Lengths are mm, angles degrees, in the stack
frame unless a docstring says part frame; `ctrecon.record.store` writes and reads it as part.json.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np

from ctrecon.core.errors import NoFeatureError
from ctrecon.core.frames import Floats, rotation_to_part
from ctrecon.core.measured import FINITE, Measured
from ctrecon.record.main_size import MainSize, main_size_of
from ctrecon.record.scale_found import KnownSize, ScaleFound
from ctrecon.record.taken import Taken
from ctrecon.record.tooth import Flank, ToothPlace
from ctrecon.record.worn import Worn, WornStretch

__all__ = [
    "RELATION_KINDS", "Alternative", "Axis", "Evidence", "Feature", "Flank", "Hypothesis", "ImageInfo",
    "Joint", "KnownSize", "Part", "Piece", "Relation", "ScaleFound", "Sensitivity", "StackInfo", "ToothPlace", "Warn",
    "Worn", "WornStretch", "depths_in_part_frame", "outline_in_part_frame", "place_in_part_frame", "scale_u_along",
    "scale_u_of", "taper_of",
]  # fmt: skip

RELATION_KINDS: dict[str, str] = {
    "axis_offset": "mm", "axes_angle": "deg", "flats_square": "deg", "flats_parallel": "deg", "flats_differ": "mm",
    "equal_turn": "deg", "faces_wedge": "deg", "centre_distance": "mm", "centre_distance_flat": "mm",
    "circle_of_holes": "mm", "divided_circle": "mm", "in_line": "mm", "even_pitch": "mm", "symmetric": "mm",
    "equal_size": "mm",
}  # fmt: skip
"""Kinds of relation and the unit of their value."""


@dataclass(frozen=True, kw_only=True)
class StackInfo:
    """Where the slices came from, how large a voxel is, (dz, dy, dx), and which part of a larger stack they are."""

    __pydantic_config__: ClassVar[dict[str, bool]] = FINITE
    source: str
    slices: int
    rows: int
    columns: int
    voxel_mm: tuple[float, float, float]
    scale_basis: str
    scale_u_rel: tuple[float | None, float | None, float | None] = (None, None, None)
    handedness_basis: str = "assumed"
    taken: Taken | None = None


@dataclass(frozen=True, kw_only=True)
class Axis:
    """The part axis in the stack frame, z > 0."""

    __pydantic_config__: ClassVar[dict[str, bool]] = FINITE
    tilt_deg: Measured
    direction_xyz: tuple[float, float, float]
    direction_u_deg: float | None = None


@dataclass(frozen=True, kw_only=True)
class Alternative:
    """Another kind the grey values allow: natural log of the odds of the chosen kind over it, and its sizes."""

    __pydantic_config__: ClassVar[dict[str, bool]] = FINITE
    kind: str
    ln_odds: float
    sizes: Mapping[str, float] = field(default_factory=dict)
    says: str = ""


@dataclass(frozen=True, kw_only=True)
class Sensitivity:
    """How a quantity answers to the two errors that all of a scan shares.

    `edge` is its change (mm per mm) when the true edge lies further out of the metal than measured:
    +2 for an outside diameter, -2 for a bore, 0 for a place across the axis. `scale` (z, y, x) is its
    change (mm) for a relative error of 1 of each voxel edge, in the order of `voxel_mm`.
    """

    __pydantic_config__: ClassVar[dict[str, bool]] = FINITE
    edge: float
    scale: tuple[float, float, float]


@dataclass(frozen=True, kw_only=True)
class Feature:
    """One feature followed through depth; fields that do not belong to its kind are None.

    A field that belongs and is None has its reason in `unknown`. Sizes are square to the axis at mid depth.

    Parameters
    ----------
    id, kind, basis, flags : str, str, str, tuple of str
        Such as F1; one of `record.kinds.KINDS`; measured, stated, inferred or assumed; names of `core.flags`.
    x_mm, y_mm, depth_from_mm, depth_to_mm, length_mm : Measured or None
        Axis at mid depth; stack z where it crosses the end faces (None: beyond the stack); length along it.
    opens_at : tuple of str or None
        Ends of the part a hole reaches: start, end.
    diameter_mm, flats_mm, flats_pair_mm, sides, turn_deg, corner_radius_mm : Measured or int or None
        Size over a round, across flats (mean; each), number of sides, direction of a flat's outward normal.
    taper_mm_per_mm, roundness_mm : Measured or None
        Change of diameter along the axis (+ when it grows with depth); RONt over the sound rim.
    arc_deg, arc_from_deg, rim_share : float or None
        How much of a circle is there (360: whole), from where; how much of the rim the fit used.
    area_mm2, outline_mm : Measured, tuple of (x, y), or None
        Area and closed outline (mm) of a free shape at mid depth.
    seam_mm : Measured or None
        Thickness of air as deep as the seam.
    teeth, teeth_range, teeth_odds : int, (int, int), tuple of (int, float), or None
        How many a wheel had, where one count has more than 95 %; the counts that hold 95 %; each with its probability.
    teeth_present, tooth_places : int or None, tuple of ToothPlace
        Teeth whose whole tip is left; all that can be seen, round the rim.
    tip_diameter_mm, root_diameter_mm, tooth_width_mm, pitch_deg, flank : Measured or None, Flank or None
        Circles through tips and roots; thickness of the mean tooth half-way between; its angle; its form.
    inner_diameter_mm : Measured or None
        Of the ring on which the teeth of a crown wheel stand; `diameter_mm` is over them, roots and tips are its ends.
    cross_diameter_mm, cross_direction_xyz : Measured, (x, y, z), or None
        Of a hole across the axis.
    slices_used, fit_rms_noise, alternatives, sensitivity, budget : optional
        First and last slice; misfit in noise; other kinds; how sizes answer to shared errors; what u is made of.
    worn : Worn or None
        How much of the edge is eaten, how deep and where, and the edge as found there; sizes are of what is sound.
    form, form_says, unknown : mapping, tuple of str, mapping
        Departures from the ideal form and their sentences; why a field is None.
    name, accepted : str or None, bool
        What a person called it; whether a person looked at it and found it right.

    Examples
    --------
    >>> Feature(id="F1", kind="round_hole", diameter_mm=Measured(3.0, 0.002), x_mm=Measured(9.0, 0.001)).kind
    'round_hole'
    """

    __pydantic_config__: ClassVar[dict[str, bool]] = FINITE
    id: str
    kind: str
    basis: str = "measured"
    flags: tuple[str, ...] = ()
    x_mm: Measured | None = None
    y_mm: Measured | None = None
    depth_from_mm: Measured | None = None
    depth_to_mm: Measured | None = None
    length_mm: Measured | None = None
    opens_at: tuple[str, ...] | None = None
    diameter_mm: Measured | None = None
    flats_mm: Measured | None = None
    flats_pair_mm: tuple[Measured, Measured] | None = None
    sides: int | None = None
    turn_deg: Measured | None = None
    corner_radius_mm: Measured | None = None
    taper_mm_per_mm: Measured | None = None
    roundness_mm: Measured | None = None
    arc_deg: float | None = None
    arc_from_deg: float | None = None
    rim_share: float | None = None
    area_mm2: Measured | None = None
    outline_mm: tuple[tuple[float, float], ...] | None = None
    seam_mm: Measured | None = None
    teeth: int | None = None
    teeth_range: tuple[int, int] | None = None
    teeth_present: int | None = None
    teeth_odds: tuple[tuple[int, float], ...] = ()
    tip_diameter_mm: Measured | None = None
    root_diameter_mm: Measured | None = None
    tooth_width_mm: Measured | None = None
    pitch_deg: Measured | None = None
    inner_diameter_mm: Measured | None = None
    flank: Flank | None = None
    tooth_places: tuple[ToothPlace, ...] = ()
    cross_diameter_mm: Measured | None = None
    cross_direction_xyz: tuple[float, float, float] | None = None
    slices_used: tuple[int, int] | None = None
    fit_rms_noise: float | None = None
    alternatives: tuple[Alternative, ...] = ()
    worn: Worn | None = None
    sensitivity: Mapping[str, Sensitivity] = field(default_factory=dict)
    budget: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    form: Mapping[str, Measured] = field(default_factory=dict)
    form_says: tuple[str, ...] = ()
    unknown: Mapping[str, str] = field(default_factory=dict)
    name: str | None = None
    accepted: bool | None = None

    @property
    def size(self) -> MainSize:
        """The size that tells it from its neighbours, printed and turned into a number by one rule; see `MainSize`."""
        return main_size_of(self)


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """One reason for a verdict, in a sentence a maker can check on named slices."""

    __pydantic_config__: ClassVar[dict[str, bool]] = FINITE
    kind: str
    features: tuple[str, ...]
    weight: float
    says: str


@dataclass(frozen=True, kw_only=True)
class Piece:
    """One piece of metal the part may be built from.

    Parameters
    ----------
    id, name, features : str, str, tuple of str
        Such as P2; such as spacer; ids of the features it is made up of.
    depth_from_mm, depth_to_mm : Measured or None
        Stack z of its ends; None where it runs out of the stack.
    verdict, probability_separate : str, float or None
        separate, one_piece or undecided; how likely it is a piece of its own.
    evidence, unknown : tuple of Evidence, mapping
        The reasons for the verdict; why a field is None.

    Examples
    --------
    >>> from ctrecon import read_part
    >>> piece = read_part("drum_hub_out/part.json").pieces[1]
    >>> piece.name, piece.verdict
    ('spacer', 'separate')
    """

    __pydantic_config__: ClassVar[dict[str, bool]] = FINITE
    id: str
    name: str
    depth_from_mm: Measured | None
    depth_to_mm: Measured | None
    features: tuple[str, ...]
    verdict: str
    probability_separate: float | None
    evidence: tuple[Evidence, ...] = ()
    unknown: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Joint:
    """How one piece sits on another: contact area, gap as measured, and from which ends it can have been put on."""

    __pydantic_config__: ClassVar[dict[str, bool]] = FINITE
    piece: str
    on: str
    features: tuple[str, ...]
    contact_mm2: Measured | None
    clearance_mm: Measured | None
    put_on_from: tuple[str, ...]
    says: str


@dataclass(frozen=True, kw_only=True)
class Hypothesis:
    """One way the part may have been built: its prior, and its probability once the evidence is weighed."""

    __pydantic_config__: ClassVar[dict[str, bool]] = FINITE
    name: str
    says: str
    prior: float
    probability: float


@dataclass(frozen=True, kw_only=True)
class Warn:
    """A flag about the whole record and what it means here."""

    flag: str
    says: str


@dataclass(frozen=True, kw_only=True)
class Relation:
    """How features stand to each other: its kind (`RELATION_KINDS`), their ids, a value in its kind's unit, a sentence.

    `margin` is the natural log of the odds over no such relation (patterns only), after
    paying for free parameters and for how many patterns were tried.
    """

    __pydantic_config__: ClassVar[dict[str, bool]] = FINITE
    kind: str
    features: tuple[str, ...]
    value: Measured | None
    says: str
    margin: float | None = None


@dataclass(frozen=True, kw_only=True)
class ImageInfo:
    """What the slices are like as pictures; null where it could not be told.

    `snr` is contrast over noise, `psf_px` and `psf_slices` the blur (sigma) in voxels, `noise_correlation`
    that of neighbouring voxels of a slice; the rest are shares of the contrast between metal and air
    (rings before they were taken out), `clipped_share` that of voxels at the end of the grey range.
    `edge_u_px` is how far, in voxels of a slice, half height may lie off the true edge where nobody knows whether
    the grey is a straight measure of the metal: one standard uncertainty, the same for all edges of the scan.
    """

    __pydantic_config__: ClassVar[dict[str, bool]] = FINITE
    snr: float | None = None
    psf_px: float | None = None
    psf_slices: float | None = None
    noise_correlation: float | None = None
    ring_amplitude_rel: float | None = None
    drift_rel: float | None = None
    cupping_rel: float | None = None
    clipped_share: float | None = None
    edge_u_px: float | None = None


@dataclass(frozen=True, kw_only=True)
class Part:
    """The whole record of one part.

    Parameters
    ----------
    name, made_with, schema, boundary : str
        The part; the program; name of the contract; where product clings: sound `metal`, or the `outer` skin.
    stack, axis, image : StackInfo, Axis or None, ImageInfo or None
        Where the slices came from; how the part stands in them; what they are like as pictures.
    features, pieces, relations, joints : tuple
        What was measured; what it is built from; how features stand to each other, and pieces.
    hypotheses, warnings, unknown, calibration : tuple, tuple, mapping, ScaleFound or None
        Ways it may have been built; flags of the whole record; why a field is None; how true scale was found.
    decided : tuple of str
        Fingerprints of the decisions of a person that are in the record already, so that none is applied twice.

    Examples
    --------
    >>> from ctrecon import read_part
    >>> part = read_part("drum_hub_out/part.json")
    >>> [feature.id for feature in part.of_kind("round_outside")]
    ['F1', 'F5']
    >>> part["F2"].kind
    'round_hole'
    """

    __pydantic_config__: ClassVar[dict[str, bool]] = FINITE
    name: str
    made_with: str
    stack: StackInfo
    axis: Axis | None
    features: tuple[Feature, ...] = ()
    pieces: tuple[Piece, ...] = ()
    hypotheses: tuple[Hypothesis, ...] = ()
    joints: tuple[Joint, ...] = ()
    relations: tuple[Relation, ...] = ()
    warnings: tuple[Warn, ...] = ()
    unknown: Mapping[str, str] = field(default_factory=dict)
    calibration: ScaleFound | None = None
    boundary: str = "metal"
    image: ImageInfo | None = None
    decided: tuple[str, ...] = ()
    schema: str = "ctrecon-part-1"

    __iter__ = None
    """A record is not a list: its parts are `features`, `pieces`, `relations` and `joints`."""

    def __getitem__(self, ident: str) -> Feature:
        """Return the feature with this id.

        Raises
        ------
        NoFeatureError
            If there is none; it is a KeyError too.
        """
        for one in self.features:
            if one.id == ident:
                return one
        there = ", ".join(one.id for one in self.features) or "none"
        raise NoFeatureError(f"there is no feature {ident!r} in {self.name}; its features are {there}")

    def __contains__(self, ident: object) -> bool:
        """Return whether a feature has this id."""
        return any(one.id == ident for one in self.features)

    def feature(self, ident: str) -> Feature:
        """Return the feature with this id; as ``part[ident]``."""
        return self[ident]

    @property
    def rotation(self) -> Floats:
        """The (3, 3) rotation from the stack frame to the part frame; none where the axis is unknown."""
        return np.eye(3) if self.axis is None else rotation_to_part(self.axis.direction_xyz)

    def of_kind(self, *kinds: str) -> tuple[Feature, ...]:
        """Return the features of these kinds, in the order of their ids."""
        return tuple(one for one in self.features if one.kind in kinds)


def taper_of(feature: Feature) -> Measured | None:
    """Return the taper where it stands out of its uncertainty (four u), else None: the feature is parallel."""
    taper = feature.taper_mm_per_mm
    if taper is None or (taper.u is not None and abs(taper.value) <= 4 * taper.u):
        return None
    return taper


def _stack_ends(part: Part, feature: Feature) -> tuple[float, float]:
    """Return the feature's ends in stack z (mm); where it runs out, the stack's end."""
    last = (part.stack.slices - 1) * part.stack.voxel_mm[0]
    low = 0.0 if feature.depth_from_mm is None else feature.depth_from_mm.value
    high = last if feature.depth_to_mm is None else feature.depth_to_mm.value
    return low, high


def place_in_part_frame(part: Part, feature: Feature) -> tuple[float, float]:
    """Return (X, Y) mm of the feature's axis at its mid depth, in the part frame.

    Raises
    ------
    ValueError
        If the place of the feature is unknown.
    """
    if feature.x_mm is None or feature.y_mm is None:
        raise ValueError(f"the place of feature {feature.id} is unknown")
    low, high = _stack_ends(part, feature)
    point = part.rotation @ np.array([feature.x_mm.value, feature.y_mm.value, (low + high) / 2])
    return float(point[0]), float(point[1])


def depths_in_part_frame(part: Part, feature: Feature) -> tuple[float, float]:
    """Return the depths (Z from, Z to; mm) of the feature's ends along the part axis."""
    rotation = part.rotation
    low, high = _stack_ends(part, feature)
    middle = (low + high) / 2
    x = 0.0 if feature.x_mm is None else feature.x_mm.value
    y = 0.0 if feature.y_mm is None else feature.y_mm.value
    a = rotation[2]  # the axis itself: the feature runs along it
    ends = [float(rotation[2] @ (np.array([x, y, middle]) + a * (z - middle) / a[2])) for z in (low, high)]
    return ends[0], ends[1]


def outline_in_part_frame(
    part: Part, feature: Feature, edge_mm: tuple[tuple[float, float], ...] | None = None
) -> Floats:
    """Return the (N, 2) outline (mm, part frame) of a free shape, or another edge of it, projected along the axis."""
    points = np.asarray(edge_mm or feature.outline_mm or (), dtype=float).reshape(-1, 2)
    low, high = _stack_ends(part, feature)
    at_mid = np.column_stack([points, np.full(len(points), (low + high) / 2)])
    return np.asarray((at_mid @ part.rotation.T)[:, :2])


def scale_u_along(part: Part, direction: str) -> float | None:
    """Return the relative scale uncertainty for sizes 'across' or 'along' the axis."""
    dz, dy, dx = part.stack.scale_u_rel
    if direction == "along":
        return dz
    return None if dx is None or dy is None else max(dx, dy)


def scale_u_of(part: Part, quantity: str) -> float | None:
    """Return the relative uncertainty the scale puts on a quantity, by its field name.

    Parameters
    ----------
    part : Part
        Says how well each direction of the scale is known.
    quantity : str
        Name of a field of `Feature` or `Piece`.

    Returns
    -------
    float or None
        0 for angles; an area feels the scale twice, a taper both directions. None for
        everything as soon as one direction is unknown: then U is printed without scale.
    """
    across, along = scale_u_along(part, "across"), scale_u_along(part, "along")
    if across is None or along is None:
        return None
    if quantity.endswith("_deg"):
        return 0.0
    if quantity.startswith(("depth", "length")):
        return along
    if quantity.endswith("_mm2"):
        return 2 * across
    return float(np.hypot(across, along)) if quantity == "taper_mm_per_mm" else across
