"""How seams share out the metal: which of them hold pins, and between which flat seams a layer lies."""

from collections.abc import Sequence

import numpy as np
import shapely

from ctrecon.core.frames import Floats
from ctrecon.features.build import MeasuredFeature
from ctrecon.record.kinds import is_outside

__all__ = ["is_pin", "ring_of", "stack_ends"]

_CONCENTRIC_PX = 1.0
_SAME_SIZE_PX = 1.0
_BEYOND_PLANES = 1.5


def ring_of(draft: MeasuredFeature) -> Floats:
    """Return the outline (N, 2), px, of a side seam or an outside at its middle."""
    shape = draft.sized.candidate.shape
    return draft.sized.candidate.spans[0].points if shape is None else shape.outline(180)


def is_pin(seam: MeasuredFeature, outside: Sequence[MeasuredFeature]) -> bool:
    """Return whether the piece of a side seam is what lies inside it: a rivet or pin beside the part's own axis.

    Round the axis it is the other way: there an arbor or boss goes on beyond the seam, and what sits on it is the
    piece. So it is where a boss of the seam's own size goes on beyond an end, wherever it stands.

    Parameters
    ----------
    seam : MeasuredFeature
        A side seam.
    outside : sequence of MeasuredFeature
        All features but seams.
    """
    rims = [d for d in outside if is_outside(d.feature)]
    over = [d for d in rims if d.depths[0] < seam.depths[1] and d.depths[1] > seam.depths[0]]
    whole = [p for p in (shapely.Polygon(ring_of(d)) for d in over) if p.area > 0]
    if not whole:
        return False
    ring = shapely.Polygon(ring_of(seam))
    middle = max(whole, key=lambda p: float(p.area)).centroid
    if ring.contains(middle):
        return False
    return not any(_goes_on(ring, seam, rim) for rim in rims)


def _goes_on(ring: shapely.Polygon, seam: MeasuredFeature, rim: MeasuredFeature) -> bool:
    """Return whether an outside beyond an end of a seam has its middle and size."""
    if min(rim.depths[1], seam.depths[1]) - max(rim.depths[0], seam.depths[0]) > _BEYOND_PLANES:
        return False
    own = shapely.Polygon(ring_of(rim))
    wide = [2 * float(np.sqrt(p.area / np.pi)) for p in (own, ring)]
    return bool(own.centroid.distance(ring.centroid) < _CONCENTRIC_PX and abs(wide[0] - wide[1]) < _SAME_SIZE_PX)


def stack_ends(faces: Sequence[MeasuredFeature]) -> list[tuple[MeasuredFeature, MeasuredFeature | None]]:
    """Return each flat seam with the next one above it, None for the last; in the order of their depth."""
    ordered = sorted(faces, key=lambda f: f.depths[0])
    return [(f, ordered[i + 1] if i + 1 < len(ordered) else None) for i, f in enumerate(ordered)]
