"""A feature the scan did not give, set by points on its outline."""

from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from ctrecon.core.frames import axis_slopes
from ctrecon.core.measured import Measured
from ctrecon.decisions.base import Decision
from ctrecon.decisions.points import HAND_U_VOXELS, check_on_stack, circle_by_points, square_by_points
from ctrecon.record.kinds import KINDS
from ctrecon.record.part import Feature, Part
from ctrecon.record.sensitivity import with_sensitivity

__all__ = ["ADDED_KINDS", "Add"]

ADDED_KINDS = ("round_hole", "round_outside", "square_hole", "square_outside")
"""Kinds that can be added by points."""


@dataclass(frozen=True, kw_only=True)
class Add(Decision):
    """Add a circle or square through points.

    Parameters
    ----------
    name : str or None
        What it is called.
    kind : str
        One of `ADDED_KINDS`.
    points_px : tuple of (column, row)
        Points on its outline, in voxels.
    slices : (float, float)
        First and last slice it shows on.
    on_slice : int
        The slice on which the points were set.
    """

    do: ClassVar[str] = "add"
    is_told: ClassVar[bool] = True
    name: str | None = None
    kind: str
    points_px: tuple[tuple[float, float], ...]
    slices: tuple[float, float]
    on_slice: int

    def __post_init__(self) -> None:
        super().__post_init__()
        # whole numbers become floats, so that a decision and its copy read from the file are the same
        object.__setattr__(self, "points_px", tuple((float(x), float(y)) for x, y in self.points_px))
        object.__setattr__(self, "slices", (float(self.slices[0]), float(self.slices[1])))

    def fault(self) -> str:
        """Return why it can't be: another kind, or slices the wrong way round."""
        if self.kind not in ADDED_KINDS:
            return f"only {', '.join(ADDED_KINDS)} can be added by points, not '{self.kind}'"
        return "the first slice lies beyond the last; turn them round" if self.slices[0] > self.slices[1] else ""

    def apply(self, part: Part) -> Part:
        """Put the new feature after the others."""
        return with_sensitivity(replace(part, features=(*part.features, _added(part, self))))

    def says(self) -> str:
        """Return the decision in words.

        Examples
        --------
        >>> Add(kind="round_hole", points_px=((0, 0), (2, 0), (1, 1)), slices=(0, 9), on_slice=4).says()
        'add round hole by 3 points'
        """
        called = f" '{self.name}'" if self.name else ""
        return f"add {self.kind.replace('_', ' ')}{called} by {len(self.points_px)} points"


def _free_id(part: Part) -> str:
    numbers = [int(one[1:]) for one in (f.id for f in part.features) if one[1:].isdigit()]
    return f"F{max(numbers, default=0) + 1}"


def _added(part: Part, decision: Add) -> Feature:
    """Return the feature that points make: basis stated, u from their scatter."""
    check_on_stack(part, decision.on_slice, decision.points_px)
    dz, dy, dx = part.stack.voxel_mm
    points = np.asarray(decision.points_px, dtype=float).reshape(-1, 2) * (dx, dy)
    hand = HAND_U_VOXELS * float(np.sqrt(dx * dy))
    kind = decision.kind
    square = KINDS[kind].is_four_sided
    found = (square_by_points if square else circle_by_points)(points, point_u_mm=hand)
    last = part.stack.slices - 1
    low, high = (float(np.clip(one, 0, last)) for one in decision.slices)
    slopes = (0.0, 0.0) if part.axis is None else axis_slopes(np.array(part.axis.direction_xyz))
    deeper = ((low + high) / 2 - decision.on_slice) * dz
    size = Measured(*found.size_mm)
    common = {
        "id": _free_id(part), "kind": kind, "basis": "stated", "flags": ("by_points",), "name": decision.name,
        "accepted": True, "x_mm": Measured(found.x_mm[0] + slopes[0] * deeper, found.x_mm[1]),
        "y_mm": Measured(found.y_mm[0] + slopes[1] * deeper, found.y_mm[1]),
    }  # fmt: skip
    unknown = {}
    ends: dict[str, Measured | None] = {}
    for name, slice_number, border in (("depth_from_mm", low, 0.0), ("depth_to_mm", high, float(last))):
        out = slice_number == border
        ends[name] = None if out else Measured(slice_number * dz, dz / 2)
        if out:
            unknown[name] = "a person let it run to the end of the stack"
    turn = None if found.turn_deg is None else Measured(*found.turn_deg)
    sizes = {"flats_mm": size, "turn_deg": turn} if square else {"diameter_mm": size}
    return Feature(**common, **ends, **sizes, unknown=unknown)  # type: ignore[arg-type]
