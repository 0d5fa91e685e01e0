"""Ends that wear or a gap hides, and sizes where metal shades: rendered parts of known truth, measured."""

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


def _measured(layers: list, shape: tuple[int, int, int], *, snr: float, cupping: float = 0.0, reach: float = 30.0) -> Part:  # type: ignore[type-arg]
    from worn.render import Pose, render
    from worn.scan import Scanner, scan

    pose = Pose(shape, (1.0, 1.0, 1.0), tuple((n - 1) / 2 for n in shape[::-1]))  # type: ignore[arg-type]
    slices = scan(
        render(layers, pose, 0.8), pose, Scanner(snr=snr, cupping=cupping), reach, np.random.default_rng(8700)
    )
    return measure_stack(SliceStack.from_array(slices, voxel_mm=(1.0, 1.0, 1.0), source="rendered")).part


def test_a_spacer_ends_where_its_own_face_lies_not_its_neighbours() -> None:
    """Two discs with a spacer between them, 0.15 and 0.25 px away: its ends stand off the discs' faces by that.

    The face that is seen beyond the spacer's rim is the disc's; taken for the spacer's own, no distance would be left;
    and were the gaps taken for slices that flicker, all faces in their slices would be off by a tenth.
    """
    from worn.shapes import between, disc

    layers = [
        (between(disc(0, 0, 30.0), -24, -10.15), 1.0), (between(disc(0, 0, 19.0), -10.0, 9.0), 1.0),
        (between(disc(0, 0, 30.0), 9.25, 24), 1.0),
    ]  # fmt: skip
    part = _measured(layers, (64, 76, 76), snr=60.0)
    above, spacer, below = (f for f in part.features if f.kind == "round_outside")
    assert above.depth_to_mm is not None and below.depth_from_mm is not None
    assert spacer.depth_from_mm is not None and spacer.depth_to_mm is not None and spacer.length_mm is not None
    assert spacer.depth_from_mm.value - above.depth_to_mm.value == pytest.approx(0.15, abs=0.05)
    assert below.depth_from_mm.value - spacer.depth_to_mm.value == pytest.approx(0.25, abs=0.05)
    assert spacer.depth_to_mm.value - spacer.depth_from_mm.value == pytest.approx(spacer.length_mm.value, abs=1e-3)
    for end, true in ((spacer.depth_from_mm, 31.5 - 10.0), (spacer.depth_to_mm, 31.5 + 9.0)):
        assert end.u is not None and abs(end.value - true) < min(0.03, 2.5 * end.u)


def test_a_hole_ends_at_the_face_beyond_its_bite() -> None:
    """A bore whose bite eats ever more of it ends where the plate does, though its outline is round no longer."""
    from worn.shapes import Bite, between, cut, disc, hole, loss_of

    loss = loss_of([Bite(at=40.0, half=75.0, deep=5.0, z=0.0, lean=1 / 14, form="round")])
    layers = [(between(cut(disc(0, 0, 30.0), hole(-9.0, 2.0, 6.0, loss=loss)), -14, 14), 1.0)]
    part = _measured(layers, (44, 76, 76), snr=12.0)
    bores = [f for f in part.features if f.kind.endswith("_hole") and f.x_mm is not None]
    bore = max(bores, key=lambda f: f.length_mm.value if f.length_mm is not None else 0.0)
    assert bore.depth_from_mm is not None and bore.depth_to_mm is not None
    assert bore.depth_from_mm.value == pytest.approx(21.5 - 14, abs=0.1)
    assert bore.depth_to_mm.value == pytest.approx(21.5 + 14, abs=0.1)


def test_cupping_along_a_flat_does_not_move_what_is_sound_of_it() -> None:
    """A plate with two eaten sides, its metal a fifth darker in the middle: sizes are true to 0.04 px, and to 3 u."""
    from worn.shapes import Bite, between, loss_of, plate

    bites = [loss_of([Bite(at=-14.0, half=7.0, deep=3.0), Bite(at=20.0, half=6.0, deep=2.5)], None)]
    layers = [(between(plate(64.0, 50.0, 0.0, [bites[0], None, None, None]), -10, 10), 1.0)]
    part = _measured(layers, (34, 84, 84), snr=25.0, cupping=0.2, reach=40.0)
    rim = next(f for f in part.features if f.kind == "rectangular_outside")
    assert rim.flats_pair_mm is not None
    for one, true in zip(rim.flats_pair_mm, (64.0, 50.0), strict=True):
        assert one.u is not None and abs(one.value - true) < min(0.04, 3 * one.u)
