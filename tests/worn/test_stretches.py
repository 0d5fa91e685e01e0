"""Where a worn edge was found, stretch by stretch: rendered parts of known truth, measured."""

import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from ctrecon import Part, SliceStack, measure_stack


@pytest.fixture(autouse=True)
def _worn_on_path(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.syspath_prepend(str(Path(__file__).parents[1]))
    yield
    for name in [n for n in sys.modules if n.partition(".")[0] == "worn"]:
        del sys.modules[name]


def _measured(layers: list) -> Part:  # type: ignore[type-arg]
    """Measure a part about (49.5, 49.5) in 40 slices of 100 x 100 voxels of 1 mm."""
    from worn.render import Pose, render
    from worn.scan import Scanner, scan

    pose = Pose((40, 100, 100), (1.0, 1.0, 1.0), (49.5, 49.5, 19.5))
    slices = scan(render(layers, pose, 0.8), pose, Scanner(snr=60.0), 40.0, np.random.default_rng(8700))
    return measure_stack(SliceStack.from_array(slices, voxel_mm=(1.0, 1.0, 1.0), source="rendered")).part


def test_the_found_edge_of_a_worn_disc_is_where_it_was_rendered() -> None:
    """Two bites of a disc, one of half its depth: the points are on them, and from sound edge to sound edge."""
    from worn.shapes import Bite, between, disc, loss_of

    bites = [
        Bite(at=40.0, half=20.0, deep=3.0, z=0.0, form="smooth"),
        Bite(at=200.0, half=15.0, deep=2.5, z=-6.0, half_z=6.0, form="smooth"),
    ]
    loss = loss_of(bites)
    assert loss is not None
    part = _measured([(between(disc(0, 0, 35.0, loss=loss), -12, 12), 1.0)])
    (outside,) = (f for f in part.features if f.kind == "round_outside")
    assert outside.worn is not None
    through = [one for one in outside.worn.stretches if one.depth_from_mm is None]
    (found,) = through
    spots = np.array(found.edge_mm) - 49.5
    angle = np.degrees(np.arctan2(spots[:, 1], spots[:, 0]))
    deep = 35.0 - np.hypot(*spots.T)
    true = np.asarray(loss(angle, np.zeros(len(angle))))
    assert np.sqrt(np.mean((deep - true) ** 2)) < 0.1
    assert found.deepest_mm == pytest.approx(3.0, abs=0.15)
    assert max(abs(deep[0]), abs(deep[-1])) < 0.3
    most = 20.0 + 3 * np.degrees(2.1 / 35.0)  # a cell is 2.1 voxels long, and two are left out on either side
    assert 12.0 < 40.0 - angle.min() < most and 12.0 < angle.max() - 40.0 < most
    partial = [one for one in outside.worn.stretches if one.depth_from_mm is not None and one.depth_to_mm is not None]
    assert partial and all(one.depth_to_mm < 19.5 + 5.0 for one in partial)
    for one in partial:
        at = np.array(one.edge_mm).mean(axis=0) - 49.5
        assert np.degrees(np.arctan2(at[1], at[0])) % 360 == pytest.approx(200.0, abs=8.0)


def test_a_ring_fragments_other_edge_and_breaks_are_no_wear() -> None:
    """A third of a ring is gone, the rest is sound: neither its bore nor its outside is worn anywhere."""
    from worn.shapes import between, disc, wedge

    def fragment(x: np.ndarray, y: np.ndarray, z: np.ndarray) -> np.ndarray:
        ring = np.minimum(disc(0, 0, 38.0)(x, y, z), -disc(0, 0, 28.0)(x, y, z))
        return np.minimum(ring, -wedge(20.0, 140.0)(x, y, z))

    part = _measured([(between(fragment, -12, 12), 1.0)])
    rounds = [f for f in part.features if f.kind in ("round_outside", "round_hole")]
    assert len(rounds) == 2
    assert all(f.arc_deg is not None and f.arc_deg == pytest.approx(240.0, abs=12.0) for f in rounds)
    assert [f.worn for f in rounds] == [None, None]


def test_a_lost_corner_is_found_with_both_legs() -> None:
    """The line that cuts the corner off is where it was rendered, from side to side."""
    from worn.shapes import between, box, half_space

    block = box(0, 0, 70.0, 50.0, 0.0)
    corner = half_space((1.0, 2.0, 0.0), (35.0 + 2 * 25.0 - 14.0) / np.sqrt(5.0))  # legs 14 along x, 7 along y

    def broken(x: np.ndarray, y: np.ndarray, z: np.ndarray) -> np.ndarray:
        return np.minimum(block(x, y, z), corner(x, y, z))

    part = _measured([(between(broken, -12, 12), 1.0)])
    (outside,) = (f for f in part.features if f.kind == "rectangular_outside")
    assert outside.worn is not None
    (found,) = outside.worn.stretches
    spots = np.array(found.edge_mm) - 49.5
    within = (spots[:, 0] < 34.0) & (spots[:, 1] < 24.0)
    off = (spots[within] @ np.array([1.0, 2.0]) - (35.0 + 50.0 - 14.0)) / np.sqrt(5.0)
    assert np.sqrt(np.mean(off**2)) < 0.1
    from ctrecon.drawing.model.edges import lost_corners
    from ctrecon.drawing.model.views import build_model

    model = build_model(part)
    ((d, contour),) = model.zones[0].rims
    ((_, corner_found),) = lost_corners(d, model.zones[0], contour, model.voxel_mm)
    assert sorted(corner_found.legs) == pytest.approx([7.0, 14.0], abs=2.0)  # cells are two voxels long
