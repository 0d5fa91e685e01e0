"""A cut arc against an eaten edge, on cells drawn from exact geometry."""

import numpy as np
import pytest

from ctrecon.core.frames import Floats
from ctrecon.features.bite_or_relief import _Hollow, _weighed
from ctrecon.features.relief_edge import ReliefEdge
from ctrecon.features.special_cases import MARGIN
from ctrecon.shapes import Rectangle

PLATE = Rectangle(0.0, 0.0, 120.0, 120.0, 0.0)
NOISE, BLOCKS = 0.05, 4


def hollow(profile: Floats, along: Floats, spot: tuple[float, int, float] | None = None) -> _Hollow:
    """The cells of a hollow in the upper side of the plate: how deep it is at each place along the side.

    `spot` (place, block, px) moves the edge outwards within 5 px of a place, in one block of the depth.
    """
    rng = np.random.default_rng(3)
    deep = np.tile(profile, (BLOCKS, 1))
    if spot is not None:
        deep[spot[1]] -= np.where((np.abs(along - spot[0]) < 5) & (profile > 0), spot[2], 0.0)
    x = np.tile(along, (BLOCKS, 1))
    off = rng.normal(0, NOISE, deep.shape)
    places = np.stack([x, 60.0 - deep - off], axis=-1).reshape(-1, 2)
    lost = (deep + off).ravel()
    inside = np.tile(profile > 0.3, (BLOCKS, 1)).ravel()
    block, station = (v.ravel() for v in np.indices(deep.shape))
    first, last = along[profile > 0.3][[0, -1]]
    return _Hollow(
        np.zeros(len(lost), dtype=np.int64), block, station, places, np.column_stack([x.ravel(), np.full(len(lost), 60.0)]),
        block / (BLOCKS - 1), lost, np.full(len(lost), NOISE), inside, inside, (x.ravel() - first) / (last - first),
    )  # fmt: skip


def arc(along: Floats, radius: float, deep: float) -> Floats:
    """Depth of an arc of a circle cut into a straight side."""
    under = np.clip(radius**2 - along**2, 0, None)
    return np.clip(np.sqrt(under) - (radius - deep), 0, None)


def odds(one: _Hollow, radius: float, deep: float) -> float:
    """Ln odds of a relief over wear, the edge hardly blurred."""
    edge = ReliefEdge(one.place, PLATE, 0.5)
    return _weighed(edge, one, np.array([0.2, 60.0 + radius - deep - 0.2, radius + 0.3]), 67.0)[0]


ALONG = np.linspace(-22, 22, 30)


def test_a_deep_arc_is_a_relief() -> None:
    """A sharp arc 11 px deep, the same all through, was cut by a tool: odds beyond the margin."""
    assert odds(hollow(arc(ALONG, 14.0, 11.0), ALONG), 14.0, 11.0) > MARGIN


def test_a_spot_of_crust_does_not_make_it_wear() -> None:
    """A lump 1.5 px thick on one end of the arc, over a quarter of its depth, leaves it a relief."""
    assert odds(hollow(arc(ALONG, 14.0, 11.0), ALONG, (10.0, 1, 1.5)), 14.0, 11.0) > MARGIN


def test_a_shallow_arc_stays_undecided() -> None:
    """An arc 3 px deep may as well be a scallop; however well it fits, the odds stay within the margin."""
    found = odds(hollow(arc(ALONG, 12.0, 3.0), ALONG), 12.0, 3.0)
    assert abs(found) < MARGIN


@pytest.mark.parametrize("deep", [3.0, 9.0])
def test_a_smooth_hollow_is_wear(deep: float) -> None:
    """An edge that sinks and rises like a squared cosine was eaten, shallow or deep."""
    profile = deep * np.where(np.abs(ALONG) < 16, np.cos(ALONG / 16 * np.pi / 2) ** 2, 0.0)
    radius = (14.0**2 + deep**2) / (2 * deep)
    assert odds(hollow(profile, ALONG), radius, deep) < -MARGIN
