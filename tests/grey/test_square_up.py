"""Squaring a stack up to the part."""

import numpy as np
import pytest

from ctrecon.core.frames import direction_from_slopes
from ctrecon.grey.levels import Levels
from ctrecon.grey.square_up import AxisGuess, axis_from_normals, enough_depth, square_up
from ctrecon.grey.survey import Survey, survey_stack
from ctrecon.slices import SliceStack

LEVELS = Levels(air=0.0, metal=1.0, noise=0.02)
VOXEL = (0.12, 0.1, 0.08)


def normals_of(slope_x: float, slope_y: float, scatter: float, *, walls: int, faces: int, stray: int = 0) -> np.ndarray:
    """Unit normals of walls square to an axis, of faces along it, and of chamfers at 45 degrees."""
    rng = np.random.default_rng(6)
    axis = direction_from_slopes(slope_x, slope_y)
    side = np.cross(axis, [0.3, 1.0, 0.0])
    side /= np.linalg.norm(side)
    other = np.cross(axis, side)
    angle = rng.uniform(0, 2 * np.pi, walls)
    rows = [np.cos(angle)[:, None] * side + np.sin(angle)[:, None] * other, np.where(np.arange(faces) % 2, 1, -1)[:, None] * axis]
    angle = rng.uniform(0, np.pi, stray)
    rows.append(np.cos(angle)[:, None] * side + np.sin(angle)[:, None] * other + axis)
    normals = np.concatenate(rows) + scatter * rng.standard_normal((walls + faces + stray, 3))
    return np.asarray(normals / np.linalg.norm(normals, axis=1, keepdims=True))


@pytest.mark.parametrize(("walls", "faces", "stray"), [(3000, 0, 0), (0, 2000, 0), (1500, 800, 600)])
def test_axis_from_walls_and_faces(walls: int, faces: int, stray: int) -> None:
    """Walls alone, faces alone, or both with chamfers between give the axis, and its u covers the error."""
    normals = normals_of(0.035, -0.02, 0.05, walls=walls, faces=faces, stray=stray)
    guess = axis_from_normals(normals)
    assert guess is not None
    assert (guess.slope_x, guess.slope_y) == pytest.approx((0.035, -0.02), abs=0.004)
    assert max(abs(guess.slope_x - 0.035), abs(guess.slope_y + 0.02)) < 3 * guess.u_slope
    assert guess.u_slope < 0.01


def test_no_axis_from_too_few_normals_or_from_one_wall() -> None:
    """Fewer than 50 normals show no axis; one flat wall leaves the lean along it open."""
    assert axis_from_normals(normals_of(0.0, 0.0, 0.01, walls=30, faces=10)) is None
    wall = np.tile([1.0, 0.0, 0.0], (500, 1))
    assert axis_from_normals(wall) is None


def leaning_pin(slope_x: float, slope_y: float) -> Survey:
    """A round pin whose axis leans by these slopes, soft edges, voxel edges all unlike."""
    dz, dy, dx = VOXEL
    z, y, x = np.meshgrid(np.arange(24) * dz, np.arange(60) * dy, np.arange(70) * dx, indexing="ij")
    axis = direction_from_slopes(slope_x, slope_y)
    away = np.stack([x - 2.7, y - 2.9, z - 1.4], axis=-1)
    along = away @ axis
    off = np.linalg.norm(away - along[..., None] * axis, axis=-1)
    volume = np.clip(0.5 + np.minimum(1.6 - off, 0.9 - np.abs(along)) / 0.2, 0, 1)
    return survey_stack(SliceStack.from_array(volume, voxel_mm=VOXEL, source="pin"), LEVELS)


def test_a_leaning_pin_stands_upright_in_the_square_planes() -> None:
    """Squared up, the pin's middle stays in one place from plane to plane; unsquared it wanders by its lean."""
    slopes = (0.05, -0.03)
    survey = leaning_pin(*slopes)
    wander = []
    for guess in (None, AxisGuess(*slopes, 0.001)):
        squared = square_up(survey, guess)
        assert squared.pitch_mm == 0.08
        middle = []
        for k in range(len(squared)):
            plane = np.nan_to_num(squared.plane(k))
            if plane.sum() > 800:
                rows, columns = np.indices(plane.shape)
                middle.append(((plane * columns).sum() / plane.sum(), (plane * rows).sum() / plane.sum()))
        assert len(middle) >= 10
        wander.append(np.ptp(np.array(middle), axis=0) / (len(middle) - 1))
    per_plane = np.abs(slopes) * VOXEL[0] / 0.08
    assert wander[0] == pytest.approx(per_plane, rel=0.2)
    assert wander[1].max() < 0.006


def test_axis_of_a_rendered_pin_is_found() -> None:
    """From the pin's own surface normals the lean comes out to a quarter of a degree."""
    guess = axis_from_normals(leaning_pin(0.05, -0.03).normals)
    assert guess is not None
    assert (guess.slope_x, guess.slope_y) == pytest.approx((0.05, -0.03), abs=0.0045)


def test_square_grid_lies_where_it_says() -> None:
    """Without a lean the grid's places are those of the stack: known voxels come back at their mm."""
    dz, dy, dx = VOXEL
    survey = leaning_pin(0.0, 0.0)
    squared = square_up(survey, None)
    x0, y0, z0 = squared.origin_mm
    k = round((12 * dz - z0) / squared.depth_step_mm)
    assert squared.depth_mm(k) == pytest.approx(12 * dz)
    plane, original = squared.plane(k), survey.plane(12)
    for row, column in ((29, 34), (29, 50), (12, 30), (44, 34)):
        i, j = (row * dy - y0) / squared.pitch_mm, (column * dx - x0) / squared.pitch_mm
        if abs(i - round(i)) < 1e-6:
            assert plane[round(i), round(j)] == pytest.approx(original[row, column], abs=2e-3)
    # half-height of the pin's rim at its own radius, along the columns
    inside = np.flatnonzero(plane[round((2.9 - y0) / squared.pitch_mm)] > 0.5)
    assert x0 + inside.mean() * squared.pitch_mm == pytest.approx(2.7, abs=0.05)
    assert len(inside) * squared.pitch_mm == pytest.approx(3.2, abs=0.1)


def test_outside_the_stack_there_is_no_data() -> None:
    """Where the grid reaches beyond the stack its planes hold NaN, not air."""
    dx = VOXEL[2]
    volume = np.zeros((10, 40, 40))
    volume[2:10, 10:30, 20:40] = 1.0
    squared = square_up(survey_stack(SliceStack.from_array(volume, voxel_mm=VOXEL, source="cut"), LEVELS), None)
    middle = squared.plane(len(squared) // 2)
    x_last = squared.origin_mm[0] + (squared.shape[2] - 1) * squared.pitch_mm
    assert x_last > 39 * dx
    assert np.isnan(middle[:, -1]).all()
    assert np.isfinite(middle[squared.shape[1] // 2, squared.shape[2] // 2])
    assert np.isnan(squared.plane(len(squared) - 1)).all()


def test_planes_may_be_asked_for_in_any_order() -> None:
    """The same plane comes back whether it was read before or not."""
    survey = leaning_pin(0.03, 0.02)
    forward, backward = (square_up(survey, AxisGuess(0.03, 0.02, 0.001)) for _ in range(2))
    ahead = [forward.plane(k) for k in range(len(forward))]
    behind = [backward.plane(k) for k in reversed(range(len(backward)))][::-1]
    for a, b, again in zip(ahead, behind, (forward.plane(k) for k in range(len(forward))), strict=True):
        assert np.array_equal(a, b, equal_nan=True)
        assert np.allclose(a, again, atol=1e-3, equal_nan=True)


@pytest.mark.parametrize(("slices", "enough"), [(3, False), (4, True)])
def test_four_slices_are_enough_depth(slices: int, enough: bool) -> None:
    """A body must show in four slices to have a direction."""
    volume = np.zeros((8, 30, 30))
    volume[2 : 2 + slices, 8:20, 8:20] = 1.0
    survey = survey_stack(SliceStack.from_array(volume, voxel_mm=0.1, source="block"), LEVELS)
    assert enough_depth(survey) is enough


def test_a_window_of_a_plane_is_cut_from_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """A few rows at a time and windows worked out by themselves, and planes forgotten and asked for again, are the same plane."""
    survey = leaning_pin(0.06, -0.04)
    guess = AxisGuess(0.06, -0.04, 1e-4)
    whole = square_up(survey, guess)
    k = len(whole) // 2
    plane = whole.plane(k)
    monkeypatch.setattr("ctrecon.grey.along_axis._TILE", 7)
    monkeypatch.setattr("ctrecon.grey.plane_store._IN_MEMORY", 0)
    monkeypatch.setattr("ctrecon.core.nameless._MOST", 0)
    monkeypatch.setattr("ctrecon.grey.square_up._SMALL", 0)
    parts = square_up(survey, guess)
    assert np.allclose(parts.plane(k), plane, atol=1e-5, equal_nan=True)
    window = np.s_[3:12, 5:14]
    assert np.allclose(parts.window(k, window), plane[window], atol=5e-4, equal_nan=True)
