"""A little plate with two bores and a square, drawn as slices, and its record: known by construction."""

from pathlib import Path

import numpy as np
import pytest

from ctrecon.core.measured import Measured
from ctrecon.record.part import Axis, Evidence, Feature, Part, Piece, StackInfo
from ctrecon.slices import SliceStack
from ctrecon.widgets import Review

VOXEL = (0.2, 0.1, 0.1)


def _place(x: float, y: float, low: float = 0.4, high: float = 3.6) -> dict[str, Measured]:
    return {
        "x_mm": Measured(x, 0.001), "y_mm": Measured(y, 0.001),
        "depth_from_mm": Measured(low, 0.002), "depth_to_mm": Measured(high, 0.002),
    }  # fmt: skip


@pytest.fixture
def plate() -> Part:
    """Return the record: bores of 2 and 1 mm and a square of 3 mm; voxels of 0.2 x 0.1 x 0.1 mm."""
    return Part(
        name="plate",
        made_with="ctrecon 0.1.0",
        stack=StackInfo(source="plate", slices=21, rows=80, columns=120, voxel_mm=VOXEL, scale_basis="file"),
        axis=Axis(tilt_deg=Measured(0.0, 0.01), direction_xyz=(0.0, 0.0, 1.0)),
        features=(
            Feature(id="F1", kind="round_hole", diameter_mm=Measured(2.0, 0.002), **_place(2.5, 4.0)),
            Feature(id="F2", kind="round_hole", diameter_mm=Measured(1.0, 0.002), **_place(6.0, 4.0, 0.4, 2.0)),
            Feature(
                id="F3", kind="square_hole", flats_mm=Measured(3.0, 0.004), turn_deg=Measured(0.0, 0.1), **_place(9.0, 4.0)
            ),
        ),
        pieces=(
            Piece(
                id="P1", name="body", depth_from_mm=Measured(0.4, 0.002), depth_to_mm=Measured(3.6, 0.002),
                features=("F1", "F2", "F3"), verdict="separate", probability_separate=0.9,
                evidence=(Evidence(kind="seam", features=("F2",), weight=2.5, says="a dark line"),),
            ),
        ),
    )  # fmt: skip


@pytest.fixture
def stack() -> SliceStack:
    """Return the slices that belong to the record."""
    y, x = np.mgrid[:80, :120] * 0.1
    plane = np.full((80, 120), 900.0)
    plane[np.hypot(x - 2.5, y - 4.0) < 1.0] = 100
    plane[np.hypot(x - 6.0, y - 4.0) < 0.5] = 100
    plane[np.maximum(abs(x - 9.0), abs(y - 4.0)) < 1.5] = 100
    volume = np.full((21, 80, 120), 100.0)
    volume[2:19] = plane
    return SliceStack.from_array(volume.astype(np.uint16), voxel_mm=VOXEL, source="plate")


@pytest.fixture
def review(plate: Part, stack: SliceStack, tmp_path: Path) -> Review:
    """Return a review that keeps its decisions in a folder."""
    return Review(plate, stack, file=tmp_path)
