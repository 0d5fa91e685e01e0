"""Following outlines through depth."""

from collections.abc import Sequence

import numpy as np
import pytest
from scipy.special import ndtr

from ctrecon.core.frames import Floats
from ctrecon.outlines.stretches import Stretch, find_stretches

ROWS, COLUMNS = np.mgrid[:64, :64].astype(float)


def disc(radius: float, x: float = 31.2, y: float = 30.8) -> Floats:
    return np.asarray(ndtr(radius - np.hypot(COLUMNS - x, ROWS - y)))


def follow(planes: Sequence[Floats]) -> list[Stretch]:
    rng = np.random.default_rng(4)
    noisy = [p + 0.04 * rng.standard_normal(p.shape) for p in planes]
    return list(find_stretches(lambda k: noisy[k], len(noisy)))


def test_a_stepped_shaft_is_cut_at_its_steps() -> None:
    """Two diameters on one axis are two stretches of outside, one bore through both is one stretch of hole."""
    planes = [np.zeros((64, 64))] * 3 + [disc(24) - disc(7)] * 9 + [disc(15) - disc(7)] * 8 + [np.zeros((64, 64))] * 2
    found = follow(planes)
    assert [(s.hole, s.first, s.last) for s in found] == [(False, 3, 11), (True, 3, 19), (False, 12, 19)]
    assert all(s.whole for s in found)
    assert found[0].box == pytest.approx((7.2, 6.8, 55.2, 54.8), abs=0.5)


def test_a_cone_is_one_stretch_that_grows() -> None:
    """A section that grows evenly stays one stretch, with its growth in px a plane."""
    (one,) = follow([disc(12 + 0.35 * k) for k in range(20)])
    assert (one.first, one.last) == (0, 19)
    assert one.growth_px == pytest.approx(0.35, abs=0.01)


@pytest.mark.parametrize(
    "cone",
    [
        8,
        12,
    ],
)  # fmt: skip
def test_a_cone_on_a_cylinder_is_cut_at_the_knee(cone: int) -> None:
    """Where a cylinder of twelve planes turns into a cone the stretch is cut, within a plane or two."""
    found = follow([disc(14.0)] * 12 + [disc(14 + 0.6 * k) for k in range(1, cone + 1)])
    assert len(found) == 2
    assert found[0].first == 0
    assert found[0].last == pytest.approx(11, abs=2)
    assert (found[0].growth_px, found[1].growth_px) == pytest.approx((0.0, 0.6), abs=0.06)


def test_two_bodies_side_by_side_stay_apart() -> None:
    """Outlines are linked by where they lie, not by their order in a plane."""
    planes = [disc(9, 16, 30) + disc(8 + 2 * (k % 2), 46, 30) * (k > 3) for k in range(12)]
    found = follow(planes)
    left = [s for s in found if s.middle.x_px < 30]
    assert [(s.first, s.last) for s in left] == [(0, 11)]


def test_what_shows_in_two_planes_only_is_left_out() -> None:
    """A stretch needs three planes, unless the stack itself has fewer."""
    empty = np.zeros((64, 64))
    assert follow([empty, disc(12), disc(12), empty, empty]) == []
    assert [(s.first, s.last) for s in follow([empty, disc(12), disc(12), disc(12), empty])] == [(1, 3)]
    assert [(s.first, s.last) for s in follow([disc(12)])] == [(0, 0)]


def test_progress_is_told_plane_by_plane() -> None:
    """Progress is called once a plane with the count so far."""
    seen: list[tuple[str, int, int]] = []
    find_stretches(lambda k: disc(12), 4, progress=lambda what, done, of: seen.append((what, done, of)))
    assert seen == [("outlines", k, 4) for k in (1, 2, 3, 4)]


def test_a_deep_nick_near_the_end_leaves_one_stretch() -> None:
    """Two planes with a nick 8 px deep and 3 wide, two planes from the end, belong to the disc they were cut into."""
    nick = 1.0 * ((np.abs(ROWS - 30.8) < 1.5) & (COLUMNS > 43))
    whole = disc(20.0)
    (one,) = follow([whole] * 2 + [np.clip(whole - nick, 0, 1)] * 2 + [whole] * 9)
    assert (one.first, one.last) == (0, 12)
