"""What every kind of feature knows of itself: its role, sizes, section, period, sign, words and sensitivities.

A new kind is one class here beside its shape, its fit and its test; no other module asks a kind for its name.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar, Literal

import numpy as np

from ctrecon.core.measured import Measured
from ctrecon.core.numbers import LEAST_MM
from ctrecon.record.part import Feature, taper_of
from ctrecon.record.sizes_across import (
    ACROSS_FLAT,
    DIAMETER,
    FLATS,
    FLATS_1,
    FLATS_2,
    LONG,
    ROOT,
    SHORT,
    SQUARE_FLATS,
    TIP,
    Size,
)  # fmt: skip
from ctrecon.shapes import ArcShape, Circle, DShape, Rectangle, RegularPolygon, ToothedWheel

__all__ = ["KINDS", "REQUIRED", "Kind", "Size", "is_crown", "is_hole", "is_outside", "is_seam", "kind_of", "kind_words"]

Role = Literal["hole", "outside", "relief", "seam", "face"]
"""Metal outside it; metal inside it; cut out of an outside; a gap in metal round it; a flat gap across the axis."""
_POINT_MM = 1e-3  # a section that would shrink to a point is held at this size: a kernel takes no point


def _quantity(feature: Feature, name: str) -> Measured | None:
    """Return a quantity by its name in `Feature.sensitivity`."""
    if name.startswith("flats_pair_mm_"):
        return None if feature.flats_pair_mm is None else feature.flats_pair_mm[int(name[-1]) - 1]
    value = getattr(feature, name)
    return value if isinstance(value, Measured) else None


def _wide(size: Measured | None, by_mm: float) -> float | None:
    """Return a width whose two walls moved out; None where it is unknown or no width."""
    return None if size is None or size.value < LEAST_MM else max(size.value + 2 * by_mm, _POINT_MM)


@dataclass(frozen=True)
class Kind:
    """One kind of feature: what all of its kind share.

    Parameters
    ----------
    name, role, sheet_words : str
        As `Feature.kind` has it; see `Role`; how a sheet calls it (empty: by its name).
    required : tuple of str
        Fields of `Feature` it must carry (place and depth are required of all).
    """

    name: str
    role: Role
    required: tuple[str, ...]
    sheet_words: str = ""

    sizes: ClassVar[tuple[Size, ...]] = ()
    """Sizes across, the main one first."""
    of_fit: ClassVar[Mapping[str, Mapping[str, float]]] = {}
    """Its sizes as sums of the parameters of its fit: quantity, then weight by parameter."""
    plain_words: ClassVar[str] = ""
    """Its words where these are not its name."""
    sign: ClassVar[str] = ""
    """Stands before its main size."""
    callout: ClassVar[str] = ""
    """How its main sizes read in one text, its number of sides as ``sides``; empty where it has none."""
    layer: ClassVar[str] = ""
    """Its word in the layers of the outlines."""
    is_round: ClassVar[bool] = False
    """Whether its section is a circle or an arc of one."""
    is_four_sided: ClassVar[bool] = False
    """Whether its sides are parallel and square to each other, so that its turn can be told to a quarter turn."""
    is_square: ClassVar[bool] = False
    """Whether its two pairs of flats are one size."""
    has_side_pair: ClassVar[bool] = False
    """Whether its two sizes across are sizes of their own, and not one size measured twice."""
    is_round_ended: ClassVar[bool] = False
    """Whether its ends are half circles."""
    is_outlined: ClassVar[bool] = False
    """Whether its section is a recorded outline, which has no axis of its own."""
    is_toothed: ClassVar[bool] = False
    """Whether it carries teeth; views show tip and root circles only (ISO 2203)."""

    @property
    def words(self) -> str:
        """Return the kind in plain words."""
        return self.plain_words or self.name.replace("_", " ")

    @property
    def on_sheet(self) -> str:
        """Return the kind in the words of a sheet."""
        return self.sheet_words or self.words

    @property
    def is_hole(self) -> bool:
        """Whether metal lies outside it."""
        return self.role == "hole"

    @property
    def is_outside(self) -> bool:
        """Whether it bounds metal from outside, all round."""
        return self.role == "outside"

    @property
    def is_body(self) -> bool:
        """Whether it is an outside with sizes of its own."""
        return self.is_outside and not self.is_outlined

    @property
    def is_relief(self) -> bool:
        """Whether it is cut out of an outside."""
        return self.role == "relief"

    @property
    def is_cutter(self) -> bool:
        """Whether it takes metal away."""
        return self.is_hole or self.is_relief

    @property
    def is_seam(self) -> bool:
        """Whether it is a thin gap inside metal."""
        return self.role in ("seam", "face")

    @property
    def is_face(self) -> bool:
        """Whether it is a gap across the axis: at one depth, without a section of its own."""
        return self.role == "face"

    @property
    def outward(self) -> int:
        """Which way its edge moves when the metal grows: 1 out, -1 in, 0 neither (of a gap both sides move)."""
        return 0 if self.is_seam else -1 if self.is_cutter else 1

    def layer_of(self) -> str:
        """Return the group of layers its contour is written to, such as HOLES_ROUND."""
        return f"{'HOLES' if self.is_hole else 'SEAMS'}_{self.layer}"

    def known(self, feature: Feature) -> list[tuple[Size, Measured]]:
        """Return the sizes across that are known, in order."""
        return [(size, value) for size in self.sizes if (value := _quantity(feature, size.quantity)) is not None]

    def main_sizes(self, feature: Feature) -> list[tuple[Size, Measured]]:
        """Return the known sizes that describe it, none said twice."""
        return [(size, value) for size, value in self.known(feature) if not size.is_detail]

    def main_size(self, feature: Feature) -> float | None:
        """Return the one length (mm) that tells it from its neighbours; the root of the area where there are two."""
        sizes = [value.value for _, value in self.main_sizes(feature)]
        if self.has_side_pair and len(sizes) > 1:
            return float(np.sqrt(sizes[0] * sizes[1]))
        if sizes:
            return float(sizes[0])
        return None if feature.area_mm2 is None else float(np.sqrt(max(feature.area_mm2.value, 0.0)))

    def side_pair(self, feature: Feature) -> tuple[Measured, Measured] | None:
        """Return its longer and its shorter size where these are two sizes."""
        return feature.flats_pair_mm if self.has_side_pair else None

    def period_deg(self, feature: Feature) -> float:
        """Return after how many degrees of turn it looks the same."""
        return 180.0

    def wall_per_mm(self, feature: Feature) -> float:
        """Return how far its wall moves out per mm of depth: half of what a diameter gains."""
        taper = taper_of(feature)
        return 0.0 if taper is None else taper.value / 2

    def has_parallel_flats(self, feature: Feature) -> bool:
        """Return whether `flats_mm` is a distance between two parallel flats."""
        return False

    def arc_left(self, feature: Feature) -> tuple[float, float] | None:
        """Return (from, sweep; degrees) of a rim that lost a stretch, None of a whole one."""
        return None

    def cuts_rim(self, feature: Feature) -> bool:
        """Return whether it can take a stretch of a rim away by its circle."""
        return False

    def shape(
        self, feature: Feature, x: float, y: float, turn_deg: float, by_mm: float = 0.0, flat_share: float = 0.0
    ) -> ArcShape | None:
        """Return its section as an exact shape, or None where the record holds no sizes for one.

        Parameters
        ----------
        feature : Feature
            A feature of this kind.
        x, y, turn_deg : float
            Where it is and how it is turned, in the plane it is wanted in (mm, degrees).
        by_mm : float
            How far each wall is moved out: `wall_per_mm` times the way from mid depth.
        flat_share : float
            What round corners must leave of the shorter side.
        """
        return None

    def view_shape(self, feature: Feature, x: float, y: float, turn_deg: float, by_mm: float = 0.0) -> ArcShape | None:
        """Return the section as a view shows it."""
        return self.shape(feature, x, y, turn_deg, by_mm)

    def edge_answer(self, quantity: str, feature: Feature) -> float | None:
        """Return by how much (mm per mm) a quantity changes when all edges lie further out of the metal.

        None for a quantity that isn't one across the axis (place, depth, length: their ends decide).
        """
        if quantity in _WIDTHS:
            return 2.0 * self.outward
        if quantity == "corner_radius_mm":
            return 1.0 * self.outward
        if quantity == "area_mm2":
            return self.outward * self.girth_mm(feature)
        return 0.0 if quantity in ("taper_mm_per_mm", "seam_mm", "roundness_mm") else None

    def girth_mm(self, feature: Feature) -> float:
        """Return the length of the outline; of a circle of its area where none is drawn."""
        if feature.outline_mm is not None and len(feature.outline_mm) >= 3:
            import shapely

            return float(shapely.Polygon(feature.outline_mm).length)
        return 0.0 if feature.area_mm2 is None else 2.0 * float(np.sqrt(np.pi * feature.area_mm2.value))


_WIDTHS = ("diameter_mm", "flats_mm", "tip_diameter_mm", "root_diameter_mm", "flats_pair_mm_1", "flats_pair_mm_2")


class Round(Kind):
    """A circle, or what is left of one."""

    sizes = (DIAMETER,)
    sign = "Ø"
    callout = "Ø{}"
    layer = "ROUND"
    is_round = True

    def arc_left(self, feature: Feature) -> tuple[float, float] | None:
        """Return (from, sweep; degrees) of an outside that lost a stretch."""
        arc, start = feature.arc_deg, feature.arc_from_deg
        return (start, arc) if self.is_outside and arc is not None and start is not None and arc < 360 else None

    def cuts_rim(self, feature: Feature) -> bool:
        """Return whether it is a relief, or a hole that breaks out."""
        return self.is_relief or (self.is_hole and (feature.arc_deg or 360) < 360)

    def shape(
        self, feature: Feature, x: float, y: float, turn_deg: float, by_mm: float = 0.0, flat_share: float = 0.0
    ) -> ArcShape | None:
        """Return the whole circle."""
        diameter = _wide(feature.diameter_mm, by_mm)
        return None if diameter is None else Circle(x, y, diameter / 2)


class _FourSided(Kind):
    """Flats square to each other, the corners round or sharp."""

    is_four_sided = True

    def shape(
        self, feature: Feature, x: float, y: float, turn_deg: float, by_mm: float = 0.0, flat_share: float = 0.0
    ) -> ArcShape | None:
        """Return the rectangle of both sizes; its corners keep their radius."""
        pair = feature.flats_pair_mm or (feature.flats_mm, feature.flats_mm)
        a, b = (_wide(one, by_mm) for one in pair)
        if a is None or b is None:
            return None
        if self.is_round_ended:
            return Rectangle(x, y, a, b, turn_deg, min(a, b) / 2)
        corner = 0.0 if feature.corner_radius_mm is None else max(feature.corner_radius_mm.value, 0.0)
        return Rectangle(x, y, a, b, turn_deg, min(corner, min(a, b) / 2 * (1.0 - flat_share)))


class Square(_FourSided):
    """Two pairs of flats of one size."""

    sizes = (SQUARE_FLATS, FLATS_1, FLATS_2)
    sign = "□"
    callout = "□{}"
    layer = "SQUARE"
    is_square = True

    def period_deg(self, feature: Feature) -> float:
        """Return a quarter turn."""
        return 90.0

    def has_parallel_flats(self, feature: Feature) -> bool:
        """Return True."""
        return True


class Rectangular(_FourSided):
    """Two pairs of flats, each of its own size."""

    sizes = (LONG, SHORT)
    callout = "{} × {}"
    layer = "RECTANGULAR"
    has_side_pair = True


class Slot(Rectangular):
    """Two flats and two half circles."""

    callout = "{} × {} slot"
    is_round_ended = True

    def layer_of(self) -> str:
        """Return the layers of slots."""
        return "SLOTS"


class Polygon(Kind):
    """A regular polygon."""

    sizes = (FLATS,)
    callout = "{sides} sides, {} across"
    layer = "POLYGON"

    def period_deg(self, feature: Feature) -> float:
        """Return the angle of one side."""
        return 360.0 / feature.sides if feature.sides else 180.0

    def has_parallel_flats(self, feature: Feature) -> bool:
        """Return whether its number of sides is even."""
        return (feature.sides or 1) % 2 == 0

    def shape(
        self, feature: Feature, x: float, y: float, turn_deg: float, by_mm: float = 0.0, flat_share: float = 0.0
    ) -> ArcShape | None:
        """Return the polygon."""
        flats = _wide(feature.flats_mm, by_mm)
        sides = feature.sides
        return None if flats is None or not sides else RegularPolygon(x, y, sides, flats / 2, turn_deg)


class DBore(Kind):
    """A circle with one flat; its turn is that of the flat's outward normal."""

    sizes = (DIAMETER, ACROSS_FLAT)
    of_fit: ClassVar[Mapping[str, Mapping[str, float]]] = {"diameter_mm": {"radius": 2.0}, "flats_mm": {"b": 1.0}}
    sign = "Ø"
    plain_words = "D-shaped hole"
    callout = "Ø{}, {} across the flat"
    layer = "D"

    def period_deg(self, feature: Feature) -> float:
        """Return a whole turn."""
        return 360.0

    def shape(
        self, feature: Feature, x: float, y: float, turn_deg: float, by_mm: float = 0.0, flat_share: float = 0.0
    ) -> ArcShape | None:
        """Return the circle with its flat; a circle where the flat is unknown."""
        diameter, across = _wide(feature.diameter_mm, by_mm), _wide(feature.flats_mm, by_mm)
        if diameter is None:
            return None
        if across is None or across >= diameter:
            return Circle(x, y, diameter / 2)
        return DShape(x, y, diameter / 2, across, turn_deg)


class Free(Kind):
    """A recorded outline; one with round ends may carry its length and width."""

    sizes = (LONG, SHORT)
    layer = "FREE"
    has_side_pair = True
    is_outlined = True


class Face(Kind):
    """A flat seam between stacked pieces."""


class Wheel(Kind):
    """Tip circle, root circle and teeth."""

    sizes = (TIP, ROOT)
    sign = "Ø"
    callout = "Ø{} over the tips, Ø{} at the roots"
    is_toothed = True

    def period_deg(self, feature: Feature) -> float:
        """Return the angle of one tooth."""
        measured = None if feature.teeth else feature.pitch_deg
        return 360.0 / max(feature.teeth or 1, 1) if measured is None else measured.value

    def shape(
        self, feature: Feature, x: float, y: float, turn_deg: float, by_mm: float = 0.0, flat_share: float = 0.0
    ) -> ArcShape | None:
        """Return teeth as wide as their gaps; a disc of middle diameter where their number is unknown."""
        tip, root = (_wide(one, by_mm) for one in (feature.tip_diameter_mm, feature.root_diameter_mm))
        if tip is None or root is None:
            return None
        teeth = feature.teeth
        return ToothedWheel(x, y, teeth, tip / 2, root / 2, turn_deg) if teeth else Circle(x, y, (tip + root) / 4)

    def edge_answer(self, quantity: str, feature: Feature) -> float | None:
        """Return the same; of a tooth's thickness, what its leaning flanks do; a ring's inside narrows."""
        if quantity == "inner_diameter_mm":
            return -2.0
        if quantity == "tooth_width_mm" and feature.flank is None:
            return 2.0
        flank = feature.flank if quantity == "tooth_width_mm" else None
        return super().edge_answer(quantity, feature) if flank is None else flank.width_per_edge

    def view_shape(self, feature: Feature, x: float, y: float, turn_deg: float, by_mm: float = 0.0) -> ArcShape | None:
        """Return the tip circle; of a crown the circle over its teeth."""
        over = feature.diameter_mm if is_crown(feature) else feature.tip_diameter_mm
        return None if over is None else Circle(x, y, over.value / 2 + by_mm)


KINDS: Mapping[str, Kind] = {
    kind.name: kind
    for kind in (
        Round("round_hole", "hole", ("diameter_mm",)),
        Round("round_outside", "outside", ("diameter_mm",)),
        Square("square_hole", "hole", ("flats_mm", "turn_deg")),
        Square("square_outside", "outside", ("flats_mm", "turn_deg")),
        Rectangular("rectangular_hole", "hole", ("flats_pair_mm", "turn_deg")),
        Rectangular("rectangular_outside", "outside", ("flats_pair_mm", "turn_deg"), "rectangle outside"),
        Slot("slot", "hole", ("flats_pair_mm", "turn_deg")),
        Polygon("polygon_hole", "hole", ("flats_mm", "sides", "turn_deg")),
        Polygon("polygon_outside", "outside", ("flats_mm", "sides", "turn_deg")),
        DBore("d_hole", "hole", ("diameter_mm", "flats_mm", "turn_deg")),
        Free("free_hole", "hole", ("area_mm2", "outline_mm")),
        Free("free_outside", "outside", ("area_mm2", "outline_mm")),
        Round("round_seam", "seam", ("diameter_mm", "seam_mm")),
        Square("square_seam", "seam", ("flats_mm", "turn_deg", "seam_mm")),
        Free("free_seam", "seam", ("outline_mm", "area_mm2", "seam_mm")),
        Face("face_seam", "face", ("seam_mm",)),
        Round("arc_outside", "relief", ("diameter_mm", "arc_deg"), "relief arc in rim"),
        Wheel("wheel", "outside", ("tip_diameter_mm", "root_diameter_mm", "teeth")),
    )
}
"""Every kind by its name."""

REQUIRED: Mapping[str, tuple[str, ...]] = {name: kind.required for name, kind in KINDS.items()}
"""The fields each kind must carry (place and depth are required of all)."""


def kind_of(feature: Feature) -> Kind:
    """Return what a feature's kind knows.

    Examples
    --------
    >>> kind_of(Feature(id="F1", kind="square_hole")).sign
    '□'
    """
    return KINDS[feature.kind]


def kind_words(feature: Feature) -> str:
    """Return the kind of a feature in plain words: 'round_hole' is a 'round hole'."""
    return kind_of(feature).words


def is_hole(feature: Feature) -> bool:
    """Return whether the feature is a hole (metal outside it)."""
    return kind_of(feature).is_hole


def is_outside(feature: Feature) -> bool:
    """Return whether the feature bounds metal from outside, all round."""
    return kind_of(feature).is_outside


def is_crown(feature: Feature) -> bool:
    """Return whether the feature is a wheel whose teeth stand along the axis, in a ring on an end face."""
    return kind_of(feature).is_toothed and "crown_teeth" in feature.flags


def is_seam(feature: Feature) -> bool:
    """Return whether the feature is a seam inside solid metal."""
    return kind_of(feature).is_seam
