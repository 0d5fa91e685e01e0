"""What the scanner does, one spoiling at a time."""

import math
from typing import Any

import numpy as np
import pytest

from ctrecon.core.errors import InputError
from ctrecon.phantoms.scanner import Scanner, scan

_QUIET: dict[str, Any] = {"snr": math.inf, "psf_px": 0.0}


def _scan(clean: np.ndarray[Any, Any], **options: Any) -> np.ndarray[Any, Any]:
    return np.asarray(scan(clean.astype(np.float32), Scanner(**{**_QUIET, **options}), np.random.default_rng(8)))


def _ball() -> np.ndarray[Any, Any]:
    k, j, i = np.mgrid[:20, :40, :44]
    ball: np.ndarray[Any, Any] = ((k - 10) ** 2 + (j - 20) ** 2 + (i - 22) ** 2 < 64).astype(float)
    return ball


@pytest.mark.parametrize("correlated", [0.0, 1.2])
def test_noise_has_the_stated_share(correlated: float) -> None:
    """The noise is contrast over snr, white or correlated."""
    noise = _scan(np.zeros((20, 80, 80)), snr=25.0, correlated_px=correlated, contrast=10_000.0)
    assert float(noise.std()) == pytest.approx(400.0, rel=0.02)
    lag = np.corrcoef(noise[:, :, 1:].ravel(), noise[:, :, :-1].ravel())[0, 1]
    # Blurred white noise keeps exp(-1 / (4 sigma²)) of itself one voxel on.
    assert lag == pytest.approx(math.exp(-1 / (4 * 1.2**2)) if correlated else 0.0, abs=0.02)


def test_blur_spreads_an_edge_by_sigma_per_axis() -> None:
    """Edges along each axis follow the normal distribution of that axis's sigma."""
    clean = np.zeros((40, 40, 40))
    clean[20:] = 1.0
    soft = _scan(clean, psf_px=(1.5, 0.8, 0.6), bits=32, air=0.0, contrast=1.0)
    slope = np.diff(soft[:, 5, 5].astype(float))
    at = np.arange(39) + 0.5
    spread = math.sqrt(float(slope @ (at - 19.5) ** 2))
    assert spread == pytest.approx(1.5, rel=0.01)


def test_rings_run_round_the_scanner_axis() -> None:
    """Rings depend on the distance from the middle of the slice only, and are the same in every slice."""
    rings = _scan(np.zeros((4, 61, 61)), rings=0.01, bits=32, air=0.0, contrast=1.0)
    assert np.array_equal(rings[0], rings[3])
    assert np.allclose(rings[0], np.rot90(rings[0]), atol=1e-6)
    assert float(rings.std()) == pytest.approx(0.01, rel=0.5)


def test_cupping_and_ramp_change_metal_only() -> None:
    """Cupping lowers metal in the middle, a ramp raises it through depth; air stays."""
    full = _scan(np.ones((11, 41, 41)), cupping=0.1, ramp=0.2, bits=32, air=5.0, contrast=1.0) - 5.0
    assert full[0, 20, 20] == pytest.approx(0.9, abs=1e-5)
    assert full[0, 0, 0] == pytest.approx(1.0, abs=1e-5)
    assert full[10, 0, 0] == pytest.approx(1.2, abs=1e-5)
    empty = _scan(np.zeros((11, 41, 41)), cupping=0.1, ramp=0.2, bits=32, air=5.0)
    assert np.all(empty == 5.0)


def test_field_of_view_is_round_and_padded() -> None:
    """Outside the round field there is 'no data', or one constant."""
    nan = _scan(_ball(), field=0.9, padding="nan", bits=32)
    assert np.isnan(nan[:, 0, 0]).all()
    assert not np.isnan(nan[:, 20, 22]).any()
    share = float(np.isnan(nan[0]).mean())
    assert share == pytest.approx(1 - math.pi * (0.9 * 19.5) ** 2 / (40 * 44), abs=0.02)
    whole = _scan(_ball(), field=0.9)
    assert np.all(whole[np.isnan(nan)] == 0)


def test_rounding_inversion_clipping_and_lost_slices() -> None:
    """Bits set the type and the step, inversion swaps metal and air, clipping cuts, lost slices are gone."""
    eight = _scan(_ball(), bits=8, air=30.0, contrast=180.0)
    assert eight.dtype == np.uint8
    assert set(np.unique(eight)) == {30, 210}
    turned = _scan(_ball(), bits=8, air=30.0, contrast=180.0, inverted=True)
    assert np.array_equal(turned, 240 - eight)
    assert int(_scan(_ball(), bits=16, clip=(0.1, 0.6), air=0.0, contrast=1000.0).max()) == 600
    lost = _scan(_ball(), missing=(3, 10))
    assert lost.shape[0] == 18
    assert np.array_equal(lost, np.delete(_scan(_ball()), [3, 10], axis=0))
    moved = _scan(_ball(), shifted=((10, 2.0, -1.0),))
    assert np.array_equal(moved[10], np.roll(_scan(_ball())[10], (2, -1), axis=(0, 1)))
    assert np.array_equal(moved[9], _scan(_ball())[9])


@pytest.mark.parametrize(
    "options", [{"snr": 0.0}, {"bits": 12}, {"padding": "zero"}, {"field": 0.9, "padding": "nan"}, {"contrast": -1.0}]
)
def test_settings_that_make_no_stack_are_refused(options: dict[str, Any]) -> None:
    """A scanner that cannot be is refused in one sentence."""
    with pytest.raises(InputError, match=r"^[A-Z].*\.$"):
        Scanner(**options)
