"""Small pictures with known pixels, written on the fly."""

import numpy as np
import pytest
from numpy.typing import NDArray


@pytest.fixture
def ramp() -> NDArray[np.int64]:
    """Return a plane of 20 x 24 values from 0 to 119, unlike in every row and column direction."""
    rows, columns = np.mgrid[0:20, 0:24]
    return np.asarray((rows * 7 + columns * 3) % 120)
