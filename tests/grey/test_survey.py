"""Bodies, their boxes and the directions of their surfaces."""

import numpy as np
import pytest
from scipy import ndimage

from ctrecon.grey.levels import Levels
from ctrecon.grey.survey import Survey, survey_stack
from ctrecon.slices import SliceStack

LEVELS = Levels(air=0.0, metal=1.0, noise=0.02)


def surveyed(volume: np.ndarray, voxel_mm: tuple[float, float, float] = (0.1, 0.1, 0.1)) -> Survey:
    return survey_stack(SliceStack.from_array(volume, voxel_mm=voxel_mm, source="blocks"), LEVELS)


def blocks() -> np.ndarray:
    """A large block, a smaller one beside it, and a speck."""
    volume = np.zeros((14, 40, 60))
    volume[2:12, 6:30, 5:30] = 1.0
    volume[4:9, 10:20, 38:50] = 1.0
    volume[6:8, 35:37, 55:57] = 1.0
    return volume


def test_bodies_are_ranked_and_boxed() -> None:
    """Bodies come largest first with their voxels and inclusive boxes; a speck is not a body."""
    found = surveyed(blocks()).bodies
    assert [b.voxels for b in found] == [10 * 24 * 25, 5 * 10 * 12]
    assert (found[0].low, found[0].high) == ((2, 6, 5), (11, 29, 29))
    assert (found[1].low, found[1].high) == ((4, 10, 38), (8, 19, 49))


def test_other_bodies_are_taken_out() -> None:
    """The plane of the survey keeps the largest body to the last voxel and clears the others with their rims."""
    volume = ndimage.gaussian_filter(blocks(), (0, 0.8, 0.8))
    plane = surveyed(volume).plane(6)
    assert plane[:, :33] == pytest.approx(volume[6, :, :33].astype(np.float32))
    assert plane[8:22, 36:52].max() < 0.002


def test_two_arms_that_meet_later_are_one_body() -> None:
    """A fork is one body though its prongs are apart in most slices."""
    volume = np.zeros((12, 30, 40))
    volume[1:11, 8:20, 4:12] = 1.0
    volume[1:11, 8:20, 24:32] = 1.0
    volume[9:11, 8:20, 4:32] = 1.0
    (body,) = surveyed(volume).bodies
    assert body.voxels == int(volume.sum())
    assert surveyed(volume).plane(3)[10, 28] == 1.0


def test_no_metal_no_bodies() -> None:
    """Empty slices give no bodies and no normals."""
    survey = surveyed(np.zeros((5, 20, 20)))
    assert survey.bodies == ()
    assert len(survey.normals) == 0


@pytest.mark.parametrize("voxel_mm", [(0.1, 0.1, 0.1), (0.16, 0.08, 0.12)])
def test_normals_of_a_leaning_wall(voxel_mm: tuple[float, float, float]) -> None:
    """Normals come in mm, not in voxels: a wall leaning by a known angle shows just that, whatever the voxel."""
    dz, dy, dx = voxel_mm
    lean, turn = 0.06, np.radians(25)
    want = np.array([np.cos(turn), np.sin(turn), -lean])
    want /= np.linalg.norm(want)
    z, y, x = np.meshgrid(np.arange(20) * dz, np.arange(50) * dy, np.arange(50) * dx, indexing="ij")
    offset = want @ np.array([25 * dx, 25 * dy, 10 * dz])
    distance = offset - (want[0] * x + want[1] * y + want[2] * z)
    volume = np.clip(0.5 + distance / (2.5 * max(voxel_mm)), 0, 1)
    normals = surveyed(volume, voxel_mm).normals
    assert len(normals) > 200
    assert np.linalg.norm(normals, axis=1) == pytest.approx(np.ones(len(normals)))
    mean = normals.mean(axis=0)
    mean /= np.linalg.norm(mean)
    # grey grows into the metal, against the outward normal
    assert mean == pytest.approx(-want, abs=0.004)


def test_progress_is_told_slice_by_slice() -> None:
    """Progress is called once a slice."""
    seen: list[int] = []
    stack = SliceStack.from_array(blocks(), voxel_mm=0.1, source="blocks")
    survey_stack(stack, LEVELS, progress=lambda what, done, of: seen.append(done))
    assert seen == list(range(1, 15))
