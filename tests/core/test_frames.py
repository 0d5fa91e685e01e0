"""Frames: voxels to mm and stack to part, against scipy's rotations."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from ctrecon.core.frames import axis_slopes, direction_from_slopes, rotation_to_part, to_mm, to_voxels

tilts = st.floats(0.0, 30.0)
turns = st.floats(0.0, 360.0)


def direction(tilt_deg: float, turn_deg: float) -> np.ndarray:
    """Return the unit vector leaning by a tilt towards a turn."""
    tilt, turn = math.radians(tilt_deg), math.radians(turn_deg)
    return np.array([math.sin(tilt) * math.cos(turn), math.sin(tilt) * math.sin(turn), math.cos(tilt)])


@given(tilts, turns)
def test_rotation_agrees_with_scipy(tilt_deg: float, turn_deg: float) -> None:
    """The rotation is the one scipy makes of the axis a × z and the angle between them."""
    a = direction(tilt_deg, turn_deg)
    across = np.cross(a, [0.0, 0.0, 1.0])
    length = float(np.linalg.norm(across))
    vector = across / length * math.radians(tilt_deg) if length > 0 else across
    assert np.allclose(rotation_to_part(a), Rotation.from_rotvec(vector).as_matrix(), atol=1e-12)


@given(tilts, turns)
def test_rotation_is_never_a_mirror(tilt_deg: float, turn_deg: float) -> None:
    """Lengths stay, left stays left, and nothing turns about the axis more than it must."""
    r = rotation_to_part(7.0 * direction(tilt_deg, turn_deg))
    assert np.allclose(r @ r.T, np.eye(3), atol=1e-12)
    assert np.linalg.det(r) == pytest.approx(1.0)
    assert (np.trace(r) - 1) / 2 == pytest.approx(math.cos(math.radians(tilt_deg)))


def test_voxels_have_their_own_sizes() -> None:
    """Slice, row and column take dz, dy and dx in that order and come out as x, y, z."""
    assert to_mm(np.array([1.0, 1.0, 1.0]), (0.3, 0.2, 0.1)) == pytest.approx([0.1, 0.2, 0.3])


@given(st.tuples(*[st.floats(-1e3, 1e3)] * 3), st.tuples(*[st.floats(1e-3, 10.0)] * 3))
def test_there_and_back(index: tuple[float, float, float], voxel_mm: tuple[float, float, float]) -> None:
    """Voxels to mm and back give the same voxels."""
    assert np.allclose(to_voxels(to_mm(np.array(index), voxel_mm), voxel_mm), index, atol=1e-9)


def test_slopes_and_direction_undo_each_other() -> None:
    """A direction made of slopes has these slopes and length one."""
    a = direction_from_slopes(0.03, -0.02)
    assert np.linalg.norm(a) == pytest.approx(1.0)
    assert axis_slopes(a) == pytest.approx((0.03, -0.02))
