"""An invented part record and a drawn slice of it for the figure tests."""

from pathlib import Path

import numpy as np
import pytest

from ctrecon.record.part import Part
from ctrecon.record.pictures import SlicePicture
from ctrecon.record.store import read_part


@pytest.fixture
def hub() -> Part:
    """An invented drum hub: steps, bore, square boss, spacer with a seam, one hole that runs out."""
    return read_part(Path(__file__).parent / "hub.json")


@pytest.fixture
def bore_slice() -> SlicePicture:
    """A window of slice 20: a disc with a bore, both with their true curves; voxels 0.06 mm wide, 0.05 mm high."""
    rows, cols = np.mgrid[10:150, 15:130]
    away_mm = np.hypot(cols * 0.06 - 4.4, rows * 0.05 - 4.0)
    grey = np.where((away_mm < 3.2) & (away_mm > 0.6), 200.0, 20.0).astype(np.float32)
    turn = np.linspace(0.0, 2 * np.pi, 181)
    ring = np.column_stack([np.cos(turn) / 0.06, np.sin(turn) / 0.05])
    centre = np.array([4.4 / 0.06, 4.0 / 0.05])
    return SlicePicture(
        index=20, grey=grey, origin_rc=(10, 15), curves=(("F1", centre + 3.2 * ring), ("F2", centre + 0.6 * ring))
    )
