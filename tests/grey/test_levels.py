"""Grey levels: air, metal, noise and where there is nothing."""

import numpy as np
import pytest
from scipy import signal

from ctrecon.core.errors import InputError
from ctrecon.grey.levels import Levels, find_levels
from ctrecon.grey.standing import _peaks
from ctrecon.slices import SliceStack

SHAPE = (9, 80, 90)


def block(air: float, metal: float, noise: float, *, seed: int = 0) -> np.ndarray:
    """A block of metal in air with white noise."""
    volume = np.full(SHAPE, air)
    volume[:, 20:60, 25:65] = metal
    return np.asarray(volume + noise * np.random.default_rng(seed).standard_normal(SHAPE))


def levels(volume: np.ndarray) -> Levels | None:
    return find_levels(SliceStack.from_array(volume, voxel_mm=0.1, source="block"))


def found(volume: np.ndarray) -> Levels:
    answer = levels(volume)
    assert answer is not None
    return answer


def round_field(volume: np.ndarray, fill: float) -> np.ndarray:
    y, x = np.ogrid[: SHAPE[1], : SHAPE[2]]
    outside = np.hypot(x - (SHAPE[2] - 1) / 2, y - (SHAPE[1] - 1) / 2) > 39.5
    out = volume.copy()
    out[:, outside] = fill
    return out


@pytest.mark.parametrize(("air", "metal"), [(100.0, 900.0), (-1000.0, 3000.0), (0.0, 0.08), (40_000.0, 9000.0)])
def test_air_metal_and_noise(air: float, metal: float) -> None:
    """Levels come out to a tenth of the noise, the noise itself to 5 %, bright metal or dark."""
    noise = abs(metal - air) / 20
    got = found(block(air, metal, noise))
    assert got.air == pytest.approx(air, abs=0.1 * noise)
    assert got.metal == pytest.approx(metal, abs=0.1 * noise)
    assert got.noise == pytest.approx(noise, rel=0.05)
    assert got.snr == pytest.approx(20, rel=0.05)
    assert got.noise_rel == pytest.approx(0.05, rel=0.05)
    assert got.dark_metal == (metal < air)
    assert got.field is None


def test_normal_grey_runs_from_air_to_metal() -> None:
    """The normalised plane has air 0 and metal 1, whichever is the brighter, and NaN stays NaN."""
    for air, metal in ((100.0, 900.0), (900.0, 100.0)):
        volume = block(air, metal, 20.0)
        plane = volume[4].copy()
        plane[0, 0] = np.nan
        normal = found(volume).normal(plane)
        assert normal.dtype == np.float32
        assert float(np.median(normal[25:55, 30:60])) == pytest.approx(1.0, abs=0.01)
        assert float(np.median(normal[2:15])) == pytest.approx(0.0, abs=0.01)
        assert np.isnan(normal[0, 0])


def test_constant_stack_is_refused() -> None:
    """One grey everywhere is refused in a sentence that names the stack."""
    with pytest.raises(InputError, match=r"block.*same grey value"):
        levels(np.full(SHAPE, 7.0))


def test_stack_without_numbers_is_refused() -> None:
    """NaN everywhere is refused in a sentence that names the stack."""
    with pytest.raises(InputError, match=r"block.*no data"):
        levels(np.full(SHAPE, np.nan))


def test_noise_alone_has_no_levels() -> None:
    """A stack of noise holds no metal: there are no levels, not wrong ones."""
    assert levels(100 + 5 * np.random.default_rng(1).standard_normal(SHAPE)) is None


def test_lost_voxels_do_not_disturb() -> None:
    """NaN outside a round field leaves the levels as they are."""
    clean, holed = found(block(100, 900, 20)), found(round_field(block(100, 900, 20), np.nan))
    assert (holed.air, holed.metal) == pytest.approx((clean.air, clean.metal), abs=2)
    assert holed.noise == pytest.approx(clean.noise, rel=0.05)


@pytest.mark.parametrize("fill", [0.0, 900.0, 5000.0])
def test_padding_outside_a_round_field_is_told_apart(fill: float) -> None:
    """A constant outside a round field becomes voxels without data, whatever the constant."""
    got = found(round_field(block(100, 900, 20), fill))
    assert (got.air, got.metal) == pytest.approx((100, 900), abs=2)
    assert got.field is not None
    assert not got.field[0, 0]
    assert got.field[40, 45]
    assert np.isnan(got.normal(np.zeros(SHAPE[1:]))[0, 0])


def test_clean_air_is_no_padding() -> None:
    """Air without any noise is air: a square block in constant air has no field."""
    assert found(block(100, 900, 0.0)).field is None


def test_a_plastic_holder_is_not_metal() -> None:
    """Where a weakly absorbing holder fills more of the slices than the metal, metal is still the upper level."""
    volume = block(100, 900, 10)
    volume[:, 5:15] += 250
    volume[:, 65:78] += 250
    got = found(volume)
    assert got.metal == pytest.approx(900, abs=3)
    assert got.air == pytest.approx(100, abs=20)  # the holder counts as air and pulls its median a little


def test_levels_without_noise_are_not_infinitely_sharp() -> None:
    """The relative noise never falls below 1e-4, so that no fit divides by zero."""
    assert found(block(100, 900, 0.0)).noise_rel == 1e-4
    assert found(block(100, 900, 0.0)).snr == float("inf")


def test_peaks_are_counted_as_scipy_counts_them() -> None:
    """Prominent maxima of random walks, flat tops included, against `scipy.signal.find_peaks`."""
    rng = np.random.default_rng(11)
    for _ in range(60):
        values = np.round(np.cumsum(rng.normal(size=80)), 1)
        least = float(rng.uniform(0.2, 3))
        judge, _ = signal.find_peaks(values, prominence=least)
        assert _peaks(values, least) == len(judge)
