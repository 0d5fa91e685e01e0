"""A quarter of a thick ring keeps both its round edges; drawn here from half-planes and circles, 5 x 5 points a pixel."""

import numpy as np
import pytest
from scipy import ndimage

from ctrecon.measuring import measure_stack

MM, FINE, SIDE = 0.05, 5, 121


def quarter(inner: float, turn: float, seed: int) -> np.ndarray:
    """One slice: radii 44 px and `inner`, 90 degrees of it from `turn` on; blur 0.8 px, contrast 20 times the noise."""
    y, x = (np.mgrid[: SIDE * FINE, : SIDE * FINE] + 0.5) / FINE - 0.5 - SIDE / 2
    off, angle = np.hypot(x, y), np.degrees(np.arctan2(y, x))
    metal = (off > inner) & (off < 44) & ((angle - turn) % 360 < 90)
    grey = ndimage.gaussian_filter(metal.astype(float), 0.8 * FINE).reshape(SIDE, FINE, SIDE, FINE).mean(axis=(1, 3))
    noise = np.random.default_rng(seed).normal(0, 0.05, grey.shape)
    return np.asarray((9000 + 30000 * (grey + noise))[None], dtype=np.float32)


@pytest.mark.parametrize(("inner", "turn"), [(20.0, 20.0), (20.0, 161.0), (26.0, 250.0), (31.0, 305.0)])
def test_both_round_edges_of_a_quarter_ring_are_found(inner: float, turn: float) -> None:
    """The inside stands between two breaks about as long as it is; both diameters within three u."""
    part = measure_stack(quarter(inner, turn, 7300), voxel_mm=MM).part
    found = {f.kind: f.diameter_mm for f in part.features}
    assert sorted(found) == ["round_hole", "round_outside"]
    for kind, radius in (("round_hole", inner), ("round_outside", 44.0)):
        size = found[kind]
        assert size is not None
        assert size.u is not None
        assert size.value == pytest.approx(2 * radius * MM, abs=3 * size.u + 0.02 * MM)
