"""Which feature of a record a decision means: by kind, place and size, never by id."""

from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from ctrecon.core.errors import InputError
from ctrecon.core.measured import format_value
from ctrecon.core.voxel import voxel_edges
from ctrecon.record.kinds import kind_of
from ctrecon.record.part import Feature, Part

__all__ = ["FeatureName", "main_size", "match", "named"]

_SIZE_REL, _PLACE_REL, _DEPTH_REL = 0.08, 0.10, 0.25  # of size, size and length: what another scan may give
_VOXELS = 3.0  # and at least this many
_CLEARLY = 0.25  # the second best must be worse by this share of what is allowed


@dataclass(frozen=True, kw_only=True)
class FeatureName:
    """A feature named by what it is, where it is and how large it is; mm of the stack frame.

    Sizes and places are those of a scan with voxels of `voxel_mm` (dz, dy, dx); where a later scan has
    others, they are scaled before they are compared. An id would not do: it changes with every measurement.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"allow_inf_nan": False, "extra": "forbid"}
    kind: str
    x_mm: float | None
    y_mm: float | None
    depth_from_mm: float | None
    depth_to_mm: float | None
    size_mm: float | None
    voxel_mm: tuple[float, float, float]

    def __post_init__(self) -> None:
        try:
            voxel_edges(self.voxel_mm)
        except InputError as error:
            raise InputError(f"voxel_mm: {error}") from None

    def says(self) -> str:
        """Return it in words: kind, size and place."""
        size = "" if self.size_mm is None else f" of {format_value(self.size_mm, 2)} mm"
        place = ""
        if self.x_mm is not None and self.y_mm is not None:
            place = f" at x {format_value(self.x_mm, 2)}, y {format_value(self.y_mm, 2)}"
        return f"{self.kind.replace('_', ' ')}{size}{place}"


def main_size(feature: Feature) -> float | None:
    """Return the one size that tells a feature from its neighbours: diameter, flats, or the root of its area (mm)."""
    return kind_of(feature).main_size(feature)


def named(part: Part, feature: Feature) -> FeatureName:
    """Return the name under which a decision keeps this feature."""

    def value(name: str) -> float | None:
        one = getattr(feature, name)
        return None if one is None else float(one.value)

    return FeatureName(
        kind=feature.kind, x_mm=value("x_mm"), y_mm=value("y_mm"), depth_from_mm=value("depth_from_mm"),
        depth_to_mm=value("depth_to_mm"), size_mm=main_size(feature), voxel_mm=part.stack.voxel_mm,
    )  # fmt: skip


def match(part: Part, name: FeatureName) -> Feature | str:
    """Find the feature that a name means.

    Parameters
    ----------
    part : Part
        Any measurement of the same part.
    name : FeatureName
        As a decision keeps it.

    Returns
    -------
    Feature or str
        The feature, or why there is none: nothing near, or two that fit alike.
    """
    same = part.of_kind(name.kind)
    what = name.kind.replace("_", " ")
    scored = sorted(((_distance(part, one, name), one.id) for one in same), key=lambda pair: (pair[0], pair[1]))
    fitting = [(score, ident) for score, ident in scored if score < 1]
    if not fitting:
        near = f"; the nearest is {scored[0][1]}" if scored else ""
        return f"there is no {what} of that size at that place{near}"
    if len(fitting) > 1 and fitting[1][0] - fitting[0][0] < _CLEARLY:
        return f"{fitting[0][1]} and {fitting[1][1]} fit alike"
    return part.feature(fitting[0][1])


def _distance(part: Part, feature: Feature, name: FeatureName) -> float:
    """Return how far a feature is from its name: 0 the same, 1 the most that is allowed."""
    dz, _, dx = part.stack.voxel_mm
    z, y, x = (now / then for now, then in zip(part.stack.voxel_mm, name.voxel_mm, strict=True))
    across = float(np.sqrt(y * x))
    size, found = name.size_mm, main_size(feature)
    parts = []
    if (size is None) != (found is None):
        return np.inf
    if size is not None and found is not None:
        parts.append(abs(found - size * across) / max(_SIZE_REL * size * across, _VOXELS * dx))
    allowed = max(_PLACE_REL * (size or 0.0) * across, _VOXELS * dx)
    places = ((feature.x_mm, name.x_mm, x), (feature.y_mm, name.y_mm, y))
    for measured, kept, factor in places:
        if (measured is None) != (kept is None):
            return np.inf
        if measured is not None and kept is not None:
            parts.append(abs(measured.value - kept * factor) / allowed)
    last = (part.stack.slices - 1) * dz
    ends = [
        (0.0 if feature.depth_from_mm is None else feature.depth_from_mm.value),
        (last if feature.depth_to_mm is None else feature.depth_to_mm.value),
    ]
    kept_ends = [
        0.0 if name.depth_from_mm is None else name.depth_from_mm * z,
        last if name.depth_to_mm is None else name.depth_to_mm * z,
    ]
    slack = max(_DEPTH_REL * (kept_ends[1] - kept_ends[0]), _VOXELS * dz)
    parts += [abs(one - other) / slack for one, other in zip(ends, kept_ends, strict=True)]
    return float(max(parts))
