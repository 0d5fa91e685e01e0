"""Planes square to a leaning axis, drawn from the slices: judged by closed forms and by scipy's own interpolation."""

import numpy as np
import pytest
from scipy import ndimage

from ctrecon.core.frames import Floats, direction_from_slopes, rotation_to_part
from ctrecon.grey.along_axis import AlongAxis

_VOXEL = (0.07, 0.06, 0.05)
_PITCH, _STEP = 0.05, 0.07
_ORIGIN = (0.31, 0.27, 0.2)
_LEAN = (0.06, -0.04)


@pytest.fixture(autouse=True, params=[128, 16])
def _of_one_tile_and_of_many(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("ctrecon.grey.along_axis._TILE", request.param)


def _drawn(volume: Floats, *, origin: tuple[float, float, float] = _ORIGIN) -> tuple[AlongAxis, Floats]:
    rotation = rotation_to_part(direction_from_slopes(*_LEAN))
    volume = volume.astype(np.float32)
    return AlongAxis(rotation, origin, _PITCH, _STEP, _VOXEL, len(volume), lambda k: volume[k]), rotation


def _places(rotation: Floats, k: int, rows: int, columns: int) -> Floats:
    """Slice, row and column (fractional) of the places of a plane: the frame's own definition, (3, rows, columns)."""
    y, x = np.mgrid[:rows, :columns]
    part = np.stack([_ORIGIN[0] + x * _PITCH, _ORIGIN[1] + y * _PITCH, np.full(x.shape, _ORIGIN[2] + k * _STEP)])
    xyz = np.einsum("ba,bij->aij", rotation, part)
    return np.asarray(xyz[::-1] / np.array(_VOXEL)[:, None, None])


@pytest.mark.parametrize("k", [3, 9, 15])
def test_grey_that_changes_evenly_is_drawn_exactly(k: int) -> None:
    """Linear grey is reproduced by any linear interpolation to rounding, whatever the lean (closed form)."""
    z, y, x = np.mgrid[:24, :70, :80].astype(float)
    drawn, rotation = _drawn(0.01 * z - 0.004 * y + 0.006 * x)
    place = _places(rotation, k, 40, 50)
    truth = 0.01 * place[0] - 0.004 * place[1] + 0.006 * place[2]
    np.testing.assert_allclose(drawn.plane(k, (0, 40, 0, 50)), truth, atol=2e-5)


def test_no_grey_is_made_up_outside_the_slices() -> None:
    """Where a place lies before the first or after the last slice there is none, and nowhere else (closed form)."""
    drawn, rotation = _drawn(np.ones((12, 70, 80)))
    for k in (-4, -2, 0, 8, 10, 13):
        depth = _places(rotation, k, 40, 50)[0]
        lost = np.isnan(drawn.plane(k, (0, 40, 0, 50)))
        sure = np.abs(depth - np.clip(depth, 0, 11)) > 1e-6
        assert (lost == sure).all()


def test_smooth_grey_agrees_with_interpolation_in_three_directions() -> None:
    """A blurred blob comes out as scipy's trilinear interpolation gives it, within what either leaves of its bend."""
    z, y, x = np.mgrid[:24, :70, :80].astype(float)
    blob = np.exp(-((z - 12) ** 2 + (y - 30) ** 2 + (x - 33) ** 2) / (2 * 5.0**2))
    drawn, rotation = _drawn(blob)
    for k in (5, 10, 14):
        judge = ndimage.map_coordinates(blob, _places(rotation, k, 40, 50), order=1, cval=np.nan)
        # linear interpolation misses an eighth of the bend, 1 / 5², in each direction
        np.testing.assert_allclose(drawn.plane(k, (0, 40, 0, 50)), judge, atol=3 / 8 / 5.0**2)


def test_a_wall_along_the_axis_stays_where_it_is() -> None:
    """A step across a leaning wall, sampled slice by slice, keeps its place in all planes to a thousandth (closed form)."""
    z, y, x = np.mgrid[:24, :70, :80].astype(float)
    x_mm, z_mm = x * _VOXEL[2], z * _VOXEL[0]
    drawn, _ = _drawn(np.clip(0.5 + ((x_mm - _LEAN[0] * z_mm) - 1.55) / 0.2, 0, 1) + 0 * y)
    edges = []
    for k in range(2, 18):
        grey = drawn.plane(k, (0, 40, 0, 50))[20]
        at = int(np.flatnonzero(grey > 0.5)[0])
        edges.append(at - 1 + (0.5 - grey[at - 1]) / (grey[at] - grey[at - 1]))
    assert np.ptp(edges) < 0.001


def test_a_window_is_a_part_of_the_plane() -> None:
    """What is drawn of a window is what the whole plane shows there, in any order of asking."""
    volume = np.random.default_rng(5).normal(size=(24, 70, 80))
    drawn, _ = _drawn(volume)
    whole = {k: drawn.plane(k, (0, 40, 0, 50)) for k in (2, 9, 16)}
    for k in (16, 2, 9):
        np.testing.assert_allclose(drawn.plane(k, (7, 31, 11, 44)), whole[k][7:31, 11:44], atol=2e-3)
        np.testing.assert_array_equal(drawn.plane(k, (0, 40, 0, 50)), whole[k])
