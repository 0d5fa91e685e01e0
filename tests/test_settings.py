"""The options of a run are checked where they are gathered."""

import math

import pytest

from ctrecon.core.errors import InputError
from ctrecon.core.voxel import voxel_edges
from ctrecon.settings import Settings


def test_three_edges_keep_their_order() -> None:
    """Three numbers are (dz, dy, dx) as given; whole numbers become floats."""
    assert voxel_edges([1, 0.5, 0.25]) == (1.0, 0.5, 0.25)


@pytest.mark.parametrize("numbers", [[], [1, 2], [1, 2, 3, 4], [0.0], [-1.0], [math.nan], [0.1, math.inf, 0.1]])
def test_impossible_voxels_are_refused(numbers: list[float]) -> None:
    """Two or four edges, nothing, and sizes that are no length are refused with what to do."""
    with pytest.raises(InputError, match="give"):
        voxel_edges(numbers)


@pytest.mark.parametrize("wrong", [
    {"voxel_mm": (0.1, -0.1, 0.1)}, {"name": "  "}, {"paper": "A5"}, {"projection": "second"}, {"units": "ft"}, {"prior_separate": 0.0}, {"prior_separate": 1.0},
    {"prior_separate": math.nan},
])  # fmt: skip
def test_settings_refuse_what_cannot_be_used(wrong: dict[str, object]) -> None:
    """A setting that cannot be used is refused when it is made, not an hour later."""
    with pytest.raises(InputError):
        Settings(**wrong)
