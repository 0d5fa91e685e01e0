"""Artefacts: found where they are, taken out, and never seen where there are none."""

from collections.abc import Callable

import numpy as np
import pytest
from scipy import ndimage

from ctrecon.grey.artefacts import Artefacts, find_artefacts
from ctrecon.grey.levels import find_levels
from ctrecon.slices import SliceStack

SHAPE = (24, 96, 100)
SNR = 25.0
BLUR = 0.8

Bored = Callable[..., np.ndarray]


def clean(*, seed: int = 0, snr: float = SNR, lean: float = 0.0) -> np.ndarray:
    """Return a stepped disc with a bore (air 0, metal 1), blurred, with white noise; it leans by `lean` px a slice."""
    fine = np.zeros(SHAPE, dtype=np.float32)
    y, x = np.mgrid[: SHAPE[1], : SHAPE[2]]
    for k in range(3, 21):
        r = np.hypot(x - 47.3 - lean * (k - 12), y - 50.6)
        outer = 36.0 if k < 12 else 27.0
        fine[k] = np.clip(outer - r + 0.5, 0, 1) * np.clip(r - 9.5, 0, 1)
    grey = ndimage.gaussian_filter(fine, BLUR)
    return np.asarray(grey + np.random.default_rng(seed).standard_normal(SHAPE) / snr)


def rings(amplitude: float, *, x: float, y: float, seed: int = 7) -> np.ndarray:
    """Return a plane of rings about (x, y)."""
    row, column = np.mgrid[: SHAPE[1], : SHAPE[2]]
    radius = np.hypot(column - x, row - y)
    profile = ndimage.gaussian_filter1d(np.random.default_rng(seed).standard_normal(120), 0.7)
    profile *= amplitude / profile.std()
    return np.asarray(np.interp(radius, np.arange(120), profile))


def look(grey: np.ndarray, **options: object) -> Artefacts:
    """Find the artefacts of a stack of 16-bit counts."""
    stack = SliceStack.from_array(np.rint(9000 + 30000 * grey).clip(0, 65535).astype(np.uint16), voxel_mm=0.05)
    levels = find_levels(stack)
    assert levels is not None
    return find_artefacts(stack, levels)


def test_clean_stack_is_left_alone() -> None:
    """Without artefacts nothing is found, nothing is said, and a plane comes back as it was."""
    found = look(clean())
    assert (found.rings, found.drift, found.shifts, found.clipped_share) == (None, None, (), 0.0)
    assert not found.changes
    assert list(found.notes()) == []
    plane = clean()[8].astype(np.float32)
    plane[0, 0] = np.nan
    assert found.correct(plane.copy(), 8).tobytes() == plane.tobytes()


@pytest.mark.parametrize("seed", range(6))
def test_noise_alone_makes_no_rings(seed: int) -> None:
    """On six stacks of other noise, correlated too, no ring, drift or shift is claimed."""
    grey = clean(snr=1e9, seed=seed)
    noise = np.random.default_rng(100 + seed).standard_normal(SHAPE)
    if seed % 2:
        noise = ndimage.gaussian_filter(noise, (0, 0.9, 0.9))
        noise /= noise.std()
    found = look(grey + noise / 15)
    assert (found.rings, found.drift, found.shifts) == (None, None, ())


@pytest.mark.parametrize(("amplitude", "x", "y"), [(0.02, 49.5, 47.5), (0.02, 38.0, 61.4), (0.008, 55.2, 44.1)])
def test_rings_are_found_and_taken_out(amplitude: float, x: float, y: float) -> None:
    """The centre comes out to 0.2 px, and at most half of the rings' fine grey is left, edges included."""
    true = rings(amplitude, x=x, y=y)
    found = look(clean() + true)
    assert found.rings is not None
    assert (found.rings.x_px, found.rings.y_px) == pytest.approx((x, y), abs=0.2)
    assert 0.5 * amplitude < found.ring_amplitude_rel < 1.3 * amplitude
    row, column = np.mgrid[: SHAPE[1], : SHAPE[2]]
    inside = (np.hypot(column - 47.3, row - 50.6) < 40) & (np.hypot(column - x, row - y) > 5)
    plane = np.ones(SHAPE[1:], dtype=np.float32)
    left = true - (plane - found.correct(plane, 12))
    fine = [(field - ndimage.gaussian_filter(field, 8))[inside].std() for field in (true, left)]
    assert fine[1] < 0.5 * fine[0]
    assert found.ring_left_rel < 0.5 * found.ring_amplitude_rel
    assert [note.flag for note in found.notes()][:1] == ["rings"]


def test_rings_are_round_in_mm() -> None:
    """Where rows lie closer than columns, rings that are round in mm are found all the same."""
    row, column = np.mgrid[: SHAPE[1], : SHAPE[2]]
    radius = np.hypot(column - 50.0, (row - 46.0) * 0.8)
    profile = ndimage.gaussian_filter1d(np.random.default_rng(3).standard_normal(120), 0.7)
    grey = clean() + np.interp(radius, np.arange(120), 0.02 * profile / profile.std())
    stack = SliceStack.from_array(grey.astype(np.float32), voxel_mm=(0.05, 0.04, 0.05))
    levels = find_levels(stack)
    assert levels is not None
    found = find_artefacts(stack, levels).rings
    assert found is not None
    assert (found.x_px, found.y_px) == pytest.approx((50.0, 46.0), abs=0.25)


def test_a_round_seam_on_the_axis_is_no_ring() -> None:
    """A thin round line in the metal about the middle of the slices, through the whole part, is not taken out."""
    y, x = np.mgrid[: SHAPE[1], : SHAPE[2]]
    seam = 0.03 * np.exp(-0.5 * ((np.hypot(x - 49.5, y - 47.5) - 20) / 0.85) ** 2)
    grey = clean()
    grey[3:21] -= seam
    found = look(grey)
    assert found.rings is None
    plane = grey[8].astype(np.float32)
    assert np.array_equal(found.correct(plane, 8), plane)


def test_a_round_seam_under_rings_keeps_its_depth() -> None:
    """With rings about its own centre a seam in half of the depth keeps at least 60 % of its depth."""
    y, x = np.mgrid[: SHAPE[1], : SHAPE[2]]
    line = np.exp(-0.5 * ((np.hypot(x - 49.5, y - 47.5) - 20) / 0.85) ** 2)
    grey = clean() + rings(0.01, x=49.5, y=47.5)
    grey[3:10] -= 0.06 * line
    found = look(grey)
    assert found.rings is not None
    plane = np.zeros(SHAPE[1:], dtype=np.float32)
    taken = -found.correct(plane, 6) - rings(0.01, x=49.5, y=47.5)
    assert float((taken * line).sum() / (line**2).sum()) > -0.4 * 0.06


def test_ramp_is_found_and_taken_out() -> None:
    """Metal that gains 6 % through depth comes out even to 1 %."""
    grey = clean() * (1 + 0.06 * np.arange(SHAPE[0]) / SHAPE[0])[:, None, None]
    found = look(grey)
    assert found.drift is not None
    assert 0.02 < found.drift_rel < 0.06
    assert not found.drift.stepped
    stack = SliceStack.from_array(grey, voxel_mm=0.05)
    levels = find_levels(stack)
    assert levels is not None
    r = np.hypot(*(np.mgrid[: SHAPE[1], : SHAPE[2]] - np.array([50.6, 47.3])[:, None, None]))
    ring = (r > 14) & (r < 22)
    even = [float(found.correct(levels.normal(grey[k]), k)[ring].mean()) for k in range(6, 18)]
    assert max(even) - min(even) < 0.012


def test_another_metal_is_no_drift_to_correct() -> None:
    """Metal that is 4 % darker in one half of the depth is told, and left as it is."""
    grey = clean()
    grey[12:] -= 0.04 * (grey[12:] > 0.5)
    found = look(grey)
    assert found.drift is not None
    assert found.drift.stepped
    assert not found.drift.metal.any()


def test_shifted_slices_are_named_and_moved_back() -> None:
    """A slice half a voxel beside its neighbours is named with its shift; a leaning part names none."""
    grey = clean(lean=0.08)
    assert look(grey).shifts == ()
    grey[9] = ndimage.shift(grey[9], (0.5, -0.4), order=1, mode="nearest")
    found = look(grey)
    assert [shift.slice for shift in found.shifts] == [9]
    assert (found.shifts[0].rows, found.shifts[0].columns) == pytest.approx((0.5, -0.4), abs=0.08)
    back = found.correct(grey[9].astype(np.float32), 9)
    straight = ndimage.gaussian_filter(clean(lean=0.08)[9], 1)
    assert np.abs(ndimage.gaussian_filter(back, 1) - straight)[5:-5, 5:-5].max() < 0.08
    (note,) = found.notes()
    assert note.flag == "slices_shifted"
    assert "slice 9 by 0.6" in note.says


def test_faces_of_a_leaning_wheel_are_no_shift() -> None:
    """What the faces of two discs that lean by a degree uncover on one side first is not taken for a shifted slice."""
    z, y, x = np.mgrid[:60, :120, :120].astype(np.float32)
    cosine, sine = np.cos(np.radians(1.0)), np.sin(np.radians(1.0))
    height, aside = (z - 30) * cosine - (x - 60) * sine, (x - 60) * cosine + (z - 30) * sine
    far = np.hypot(aside, y - 60)
    metal = (far < 44) & (abs(height + 9) < 4) | (far < 38) & (abs(height - 9) < 4) | (far < 22) & (abs(height) < 25)
    share = ndimage.gaussian_filter(metal.astype(np.float32), 1.0)
    for seed in (40, 41, 42):
        assert look(share + np.random.default_rng(seed).normal(0, 0.11, share.shape)).shifts == ()


@pytest.mark.parametrize("most", [5000, 2000])
def test_a_shift_is_measured_in_joined_voxels_as_well(monkeypatch: pytest.MonkeyPatch, most: int) -> None:
    """In slices so large that two by two or three by three voxels are joined first, the shift given comes out."""
    monkeypatch.setattr("ctrecon.grey.artefact_drift._MOST_PIXELS", most)
    grey = clean(lean=0.08)
    assert look(grey).shifts == ()
    grey[9] = ndimage.shift(grey[9], (0.5, -0.4), order=1, mode="nearest")
    (shift,) = look(grey).shifts
    assert shift.slice == 9
    assert (shift.rows, shift.columns) == pytest.approx((0.5, -0.4), abs=0.08)


def test_clipped_grey_is_told() -> None:
    """Metal cut off at its level is told as a share of the metal; air is not."""
    found = look(np.minimum(clean(), 1.0))
    assert 0.25 < found.clipped_metal < 0.5  # half of the even metal; voxels of the edge count as metal too
    assert found.clipped_air == 0.0
    assert [note.flag for note in found.notes()] == ["clipped"]


def test_cupping_is_told() -> None:
    """Metal 10 % darker inside is told with its size; nothing is changed for it."""
    y, x = np.mgrid[: SHAPE[1], : SHAPE[2]]
    share = np.hypot(x - 47.3, y - 50.6) ** 2 / 36.0**2
    found = look(clean() * (1 - 0.1 * (1 - share)))
    assert found.cupping_rel == pytest.approx(0.064, abs=0.015)  # over the even metal, 14 to 32 px from the axis
    assert not found.changes
    assert [note.flag for note in found.notes()] == ["cupping"]


def test_streaks_are_told() -> None:
    """Air that is brighter to two sides of the metal and darker to the others is told."""
    y, x = np.mgrid[: SHAPE[1], : SHAPE[2]]
    angle = np.arctan2(y - 50.6, x - 47.3)
    band = 0.05 * np.cos(2 * (angle - 0.5))
    found = look(clean() + band)
    assert found.streaks_rel is not None
    assert found.streaks_rel > 0.02
    assert "streaks" in [note.flag for note in found.notes()]


def large(radius: float, x: float, y: float) -> np.ndarray:
    """Return three slices of 500 x 560 px (air 0, metal 1) of a disc with a bore, cupped by 8 %, blurred, with noise."""
    row, column = np.mgrid[:500, :560].astype(np.float32)
    r = np.hypot(column - x, row - y)
    disc = np.clip(radius + 0.5 - r, 0, 1) * np.clip(r - 0.3 * radius, 0, 1)
    plane = ndimage.gaussian_filter(disc, 1.1) * (1 - 0.08 * (1 - (r / radius) ** 2))
    return np.asarray(plane + np.random.default_rng(3).standard_normal((3, 500, 560)) / SNR)


@pytest.mark.parametrize(("radius", "x", "y"), [(220.0, 270.3, 250.6), (40.0, 480.3, 430.6)])
def test_bands_of_large_slices_tell_what_whole_slices_tell(
    monkeypatch: pytest.MonkeyPatch, radius: float, x: float, y: float
) -> None:
    """Blur, noise, cupping and no rings, of a part that fills the slices and of one in a corner: bands lie where metal is."""
    monkeypatch.setattr("ctrecon.grey.artefact_look._MOST_A_SLICE", 150_000)
    found = look(large(radius, x, y))
    assert found.psf_px == pytest.approx(1.1, rel=0.06)
    assert found.snr == pytest.approx(SNR, rel=0.05)
    assert found.noise_correlation == pytest.approx(0.0, abs=0.02)
    assert found.noise_correlation_depth == pytest.approx(0.0, abs=0.02)
    even = (radius - 4) ** 2 - (0.3 * radius + 4) ** 2  # even metal keeps about 4 px from its edges
    assert found.cupping_rel == pytest.approx(0.08 * even / radius**2, abs=0.005)
    assert found.rings is None


def test_bands_of_large_slices_show_rings_with_their_centre(monkeypatch: pytest.MonkeyPatch) -> None:
    """Rings come out of bands with centre and strength as of whole slices."""
    monkeypatch.setattr("ctrecon.grey.artefact_look._MOST_A_SLICE", 150_000)
    row, column = np.mgrid[:500, :560]
    profile = ndimage.gaussian_filter1d(np.random.default_rng(7).standard_normal(450), 0.7)
    picture = np.interp(np.hypot(column - 292.4, row - 241.3), np.arange(450), 0.02 * profile / profile.std())
    found = look(large(220.0, 270.3, 250.6) + picture).rings
    assert found is not None
    assert (found.x_px, found.y_px) == pytest.approx((292.4, 241.3), abs=0.2)
    assert 0.01 < found.amplitude < 0.026


@pytest.mark.parametrize("blur", [0.6, 0.8, 1.3])
def test_blur_and_noise(blur: float) -> None:
    """The blur comes out to 6 % in the plane, the noise to 5 %, white noise without correlation."""
    y, x = np.mgrid[: 4 * SHAPE[1], : 4 * SHAPE[2]]
    r = np.hypot(x - 4 * 47.3, y - 4 * 50.6) / 4
    fine = ((r < 36) & (r > 10)).astype(np.float32).reshape(SHAPE[1], 4, SHAPE[2], 4).mean(axis=(1, 3))
    plane = ndimage.gaussian_filter(fine, blur)
    found = look(plane[None] + np.random.default_rng(5).standard_normal(SHAPE) / SNR)
    assert found.psf_px == pytest.approx(blur, rel=0.06)
    assert found.snr == pytest.approx(SNR, rel=0.05)
    assert found.noise_correlation == pytest.approx(0.0, abs=0.05)
    assert found.noise_correlation_depth == pytest.approx(0.0, abs=0.05)


def test_blur_along_depth_and_correlated_noise() -> None:
    """Faces give the blur along depth to a tenth; noise smoothed over 0.9 px shows its correlation exp(-1 / (4 x 0.81))."""
    noise = ndimage.gaussian_filter(np.random.default_rng(5).standard_normal(SHAPE), 0.9)
    found = look(clean(snr=1e9) + noise / noise.std() / SNR)
    # the disc's faces lie between slices: nothing is averaged over a voxel there, so 1/12 is taken off too much
    assert found.psf_slices == pytest.approx(np.sqrt(BLUR**2 - 1 / 12), rel=0.1)
    assert found.noise_correlation == pytest.approx(np.exp(-1 / (4 * 0.81)), abs=0.06)
    assert found.noise_correlation_depth == pytest.approx(np.exp(-1 / (4 * 0.81)), abs=0.06)
    assert found.snr == pytest.approx(SNR, rel=0.1)
