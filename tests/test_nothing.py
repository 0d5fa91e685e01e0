"""Stacks with nothing in them give nothing, and no stack, however small or ugly, ends in an internal fault."""

from pathlib import Path

import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray
from scipy import ndimage

from ctrecon import Settings, SliceStack, measure_stack, measure_to_folder
from ctrecon.core.errors import CtreconError
from ctrecon.core.fit_result import ShapeFit
from ctrecon.features.candidates import Candidate
from ctrecon.features.size import Sized
from ctrecon.features.sound_edge import resettled
from ctrecon.shapes import Circle

CORRELATED_PX = (0.0, 0.7, 0.9, 1.1, 1.2)


def noise_alone(seed: int) -> NDArray[np.uint16]:
    """Noise that neighbours share or not, on even grey, a gradient, rings or a bowl of grey, each in turn."""
    rng = np.random.default_rng(seed)
    shape = (int(rng.integers(20, 60)), int(rng.integers(60, 120)), int(rng.integers(60, 120)))
    noise = rng.standard_normal(shape, dtype=np.float32)
    width = CORRELATED_PX[seed % len(CORRELATED_PX)]
    if width:
        noise = ndimage.gaussian_filter(noise, width)
    _, y, x = np.indices(shape)
    u, v = x / shape[2] - 0.5, y / shape[1] - 0.5
    under = (0.0, 2 * u, 0.5 * np.sin(1.3 * np.hypot(u * shape[2], v * shape[1])), -2 * (u * u + v * v))
    grey = 30000 + 1500 * (noise / noise.std() + under[seed % len(under)])
    return np.clip(grey, 0, 65535).astype(np.uint16)


@pytest.mark.parametrize("seed", range(9000, 9020))
def test_noise_alone_is_no_part(seed: int) -> None:
    """Noise, gradients and rings without a part give an empty record that says so."""
    part = measure_stack(SliceStack.from_array(noise_alone(seed), voxel_mm=0.05)).part
    assert part.features == ()
    assert part.pieces == ()
    assert part.warnings[-1].flag == "nothing_to_measure"


@pytest.mark.parametrize("correlated_px", [0.0, 1.2])
def test_a_faint_part_is_still_found_in_noise(correlated_px: float) -> None:
    """A pin whose contrast is five times the noise is no noise, also where neighbours share the noise."""
    rng = np.random.default_rng(9040)
    z, y, x = np.indices((24, 90, 90))
    metal = ndimage.gaussian_filter(np.clip(24.5 - np.hypot(x - 44.2, y - 45.1), 0, 1), 0.8)
    noise = rng.standard_normal(z.shape)
    noise = ndimage.gaussian_filter(noise, correlated_px) if correlated_px else noise
    grey = 20000 + 10000 * (metal + 0.2 * noise / noise.std())
    part = measure_stack(SliceStack.from_array(grey.astype(np.uint16), voxel_mm=0.05)).part
    assert [f.kind for f in part.features] == ["round_outside"]
    found = part.features[0].diameter_mm
    assert found is not None
    assert found.value == pytest.approx(2 * 24 * 0.05, abs=0.01)


def ugly(rng: np.random.Generator, which: int) -> NDArray[np.generic]:
    """A few voxels, one row, one column, one slice, or a lump of noise that runs out on all sides."""
    few, some = int(rng.integers(1, 6)), int(rng.integers(1, 40))
    shape = [
        (few, int(rng.integers(1, 6)), int(rng.integers(1, 6))), (some, 1, few * 9), (some, few * 9, 1),
        (1, some, few * 7), (int(rng.integers(1, 20)), int(rng.integers(20, 60)), int(rng.integers(20, 60))),
    ][which % 5]  # fmt: skip
    grey = rng.standard_normal(shape)
    if which % 5 >= 3:
        lump = ndimage.gaussian_filter(rng.standard_normal(shape), [rng.uniform(0.1, 4) if n > 1 else 0 for n in shape])
        grey = grey + (lump > lump.std() * rng.uniform(-1, 1.5)) * rng.uniform(3, 30)
    if which % 3 == 1:
        grey = np.indices(shape).sum(axis=0) % 2 * 5.0 + 0.01 * grey
    low, high = grey.min(), grey.max()
    if which % 4 < 3:
        return np.asarray(1000 + 60000 * (grey - low) / max(high - low, 1e-9)).astype(np.uint16)
    grey = grey.astype(np.float32)
    grey.flat[rng.integers(0, grey.size, max(1, grey.size // 9))] = np.nan
    return np.asarray(grey)


@pytest.mark.parametrize("seed", range(9100, 9110))
def test_no_stack_ends_in_an_internal_fault(seed: int, tmp_path: Path) -> None:
    """Stacks of one to three pixels, a row, a column, or lumps of noise are measured whole, or refused in one line."""
    rng = np.random.default_rng(seed)
    for which in range(5):
        tifffile.imwrite(tmp_path / f"{which}.tif", ugly(rng, which), photometric="minisblack")
        out = tmp_path / f"out{which}"
        try:
            measure_to_folder(tmp_path / f"{which}.tif", out, settings=Settings(voxel_mm=(0.05, 0.05, 0.05)))
            said = ""
        except CtreconError as refused:
            said = str(refused)
        assert "\n" not in said
        assert (out / "part.json").is_file() is not bool(said)


def test_an_edge_without_cells_has_no_sound_shape() -> None:
    """Where no stretch of an edge is long enough to be looked at in cells, nothing is said of its wear."""
    circle = Circle(20.0, 20.0, 10.0)
    names = ("x", "y", "radius", "slope_x", "slope_y", "growth", "blur", "air", "contrast")
    fit = ShapeFit(names, np.array([20.0, 20.0, 10.0, 0, 0, 0, 0.9, 0, 1]), np.eye(9) * 1e-4, 1.0, 1.0, 100)
    candidate = Candidate("round", False, circle, 0.0, (), True, (), (), 1.0, 314.0)
    assert resettled(Sized(candidate, fit, 5.0, False), []) is None
