"""Solids: signs against plain membership, and distances that never exceed the truth."""

import math

import numpy as np
import pytest

from ctrecon.phantoms.solids import (
    Balls,
    Cylinder,
    Difference,
    Rectangle,
    RoughCut,
    Sector,
    Solid,
    Union,
    eaten_rim,
    square,
    tube,
)

_ROUND = Cylinder(diameter=2.0, z_from=0.0, z_to=3.0, x=0.2, y=-0.1)
_CONE = Cylinder(diameter=2.0, z_from=0.0, z_to=3.0, taper=0.4)
_BOX = Rectangle(long=3.0, short=1.4, z_from=-1.0, z_to=1.0, turn_deg=25.0, corner_radius=0.3)
_SOLIDS: dict[str, Solid] = {
    "round": _ROUND,
    "cone": _CONE,
    "box": _BOX,
    "square": square(flats=1.5, z_from=0.0, z_to=1.0, turn_deg=13.0),
    "rough": RoughCut(direction_deg=40.0, at=0.5, height=0.2, length=0.8),
    "sector": Sector(from_deg=30.0, arc_deg=110.0),
    "balls": Balls(((0.0, 0.0, 0.0, 1.0), (1.0, 0.5, 0.2, 0.4))),
    "union": Union((_ROUND, _BOX)),
    "difference": Difference(_BOX, (_ROUND,)),
    "tube": tube(outer=2.0, inner=1.0, z_from=-math.inf, z_to=math.inf),
    "eaten": eaten_rim(
        np.random.default_rng(2), diameter=2.0, z_from=0.0, z_to=1.0, from_deg=10.0, arc_deg=60.0, depth=0.2
    ),
}


@pytest.mark.parametrize("name", sorted(_SOLIDS))
def test_distance_changes_no_faster_than_the_way(name: str) -> None:
    """Two points are never farther apart in distance than in space, so whole voxels can be told at once."""
    rng = np.random.default_rng(5)
    a = rng.uniform(-3.0, 3.0, (20_000, 3))
    b = a + rng.normal(0.0, 0.3, a.shape)
    solid = _SOLIDS[name]
    change = np.abs(solid.distance(*a.T) - solid.distance(*b.T))
    assert np.isfinite(change).all()
    assert (change <= np.linalg.norm(a - b, axis=1) * (1 + 1e-9) + 1e-12).all()


def test_signs_agree_with_plain_membership() -> None:
    """A point is metal exactly where the school formulas of cylinder, cone and turned box say so."""
    rng = np.random.default_rng(6)
    x, y, z = rng.uniform(-2.5, 3.5, (3, 50_000))
    in_round = ((x - 0.2) ** 2 + (y + 0.1) ** 2 < 1.0) & (z > 0.0) & (z < 3.0)
    in_cone = (np.hypot(x, y) < 1.0 + 0.2 * (z - 1.5)) & (z > 0.0) & (z < 3.0)
    turn = np.exp(-1j * math.radians(25.0)) * (x + 1j * y)
    u, v = np.abs(turn.real), np.abs(turn.imag)
    lost = (u > 1.2) & (v > 0.4) & ((u - 1.2) ** 2 + (v - 0.4) ** 2 > 0.09)
    in_box = (u < 1.5) & (v < 0.7) & ~lost & (np.abs(z) < 1.0)
    assert np.array_equal(_ROUND.distance(x, y, z) < 0, in_round)
    assert np.array_equal(_CONE.distance(x, y, z) < 0, in_cone)
    assert np.array_equal(_BOX.distance(x, y, z) < 0, in_box)
    assert np.array_equal(_SOLIDS["difference"].distance(x, y, z) < 0, in_box & ~in_round)
    assert np.array_equal(_SOLIDS["union"].distance(x, y, z) < 0, in_box | in_round)
    angle = np.degrees(np.arctan2(y, x)) % 360.0
    assert np.array_equal(_SOLIDS["sector"].distance(x, y, z) < 0, (angle > 30.0) & (angle < 140.0))
