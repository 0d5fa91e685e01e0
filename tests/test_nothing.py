"""Stacks with nothing in them give nothing, and no stack, however small or ugly, ends in an internal fault."""

from pathlib import Path

import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray
from scipy import ndimage

from ctrecon import Settings, SliceStack, measure_stack, measure_to_folder, read_part
from ctrecon.cli.main import main
from ctrecon.core.errors import CtreconError
from ctrecon.core.fit_result import ShapeFit
from ctrecon.features.candidates import Candidate
from ctrecon.features.size import FittedCandidate
from ctrecon.features.sound_edge import resettled
from ctrecon.shapes import Circle

KINDS = (
    "white noise", "shared noise", "gradient", "gradient in noise", "two-way gradient", "two-way gradient in noise",
    "bowl", "bowl in noise", "rings", "rings in noise", "drift in noise", "all together",
)  # fmt: skip


def noise(rng: np.random.Generator, shape: tuple[int, ...], width: float) -> NDArray[np.float64]:
    """Noise of sd 1 that neighbours share over `width` px, in the slice or all round."""
    grey = rng.standard_normal(shape)
    if width:
        grey = ndimage.gaussian_filter(grey, (width if rng.random() < 0.5 else 0, width, width), mode="wrap")
    return np.asarray(grey / grey.std())


def of_nothing(kind: str, seed: int) -> NDArray[np.generic]:
    """A stack without a part: 1 to 400 slices of 6 to 130 px a side (rings: from 40 px), all ways of storing grey."""
    rng = np.random.default_rng([seed, KINDS.index(kind)])
    deep = int(rng.choice([1, 2, 3, 8, 20, 30, 45, 60]))
    least = 40 if "rings" in kind or rng.random() < 0.75 else 6
    rows, columns = (int(n) for n in rng.integers(least, 2 * least + 50, 2))
    if rng.random() < 0.1:
        deep, rows, columns = 400, min(rows, 50), min(columns, 50)
    shape = (deep, rows, columns)
    z, y, x = (np.linspace(-1, 1, n) if n > 1 else np.zeros(1) for n in shape)
    z, y, x = z[:, None, None], y[None, :, None], x[None, None, :]
    grey = np.zeros(shape)
    turn = float(rng.uniform(0, 2 * np.pi))

    def some(low: float, high: float) -> float:
        return float(np.exp(rng.uniform(np.log(low), np.log(high))))

    if kind.startswith(("gradient", "all")):
        grey += some(0.7, 30) * (x * np.cos(turn) + y * np.sin(turn)) + some(0.7, 30) * z * rng.choice([0, 1])
    if kind.startswith("two-way"):
        grey += some(0.7, 30) * x * y + some(0.7, 30) * np.sin(turn + 1.5 * (x * np.cos(turn) + y * np.sin(turn)))
    if kind.startswith(("bowl", "all")):
        grey += some(0.7, 30) * rng.choice([-1, 1]) * ((x - rng.uniform(-0.3, 0.3)) ** 2 + y**2)
    if kind.startswith(("rings", "all")):
        off = rng.uniform(-4, 4, 2)
        far = np.hypot(np.arange(columns)[None] - columns / 2 + off[0], np.arange(rows)[:, None] - rows / 2 + off[1])
        profile = ndimage.gaussian_filter1d(rng.standard_normal(rows + columns), rng.uniform(0.6, 1.5))
        grey += some(0.3, 1.5 if kind == "all together" else 4) * np.interp(
            far, np.arange(rows + columns), profile / profile.std()
        )
    if kind.startswith(("drift", "all")):
        each = rng.standard_normal(deep) if rng.random() < 0.5 else rng.choice([-1, 1]) * (np.arange(deep) >= deep // 2)
        grey += some(0.3, 10) * each[:, None, None]
    if "noise" in kind or kind == "all together":
        grey += noise(rng, shape, 0.0 if kind == "white noise" else float(rng.uniform(0.3, 1.5)))
    stored = str(rng.choice(["u1", "u2", "i2", "f4"]))
    grey = (
        grey * {"u1": 3, "u2": 500, "i2": 300, "f4": 0.01}[stored]
        + {"u1": 120, "u2": 30000, "i2": 0, "f4": 0.4}[stored]
    )
    return (
        grey.astype(stored)
        if stored == "f4"
        else np.clip(np.rint(grey), np.iinfo(stored).min, np.iinfo(stored).max).astype(stored)
    )


@pytest.mark.parametrize("kind", KINDS)
def test_nothing_comes_of_nothing(kind: str, tmp_path: Path, times: int) -> None:
    """Noise, gradients, drift and rings without a part end with code 3 and an empty record, or are refused as even."""
    for seed in range(9500, 9500 + 3 * times):
        grey = of_nothing(kind, seed)
        assert main(answer_to(grey, tmp_path, seed)) in ((3,) if np.ptp(grey) else (2,)), seed
        if np.ptp(grey):
            assert read_part(tmp_path / f"out{seed}" / "part.json").features == ()


def answer_to(grey: NDArray[np.generic], folder: Path, number: int) -> list[str]:
    """Write a stack; return the words of the command that measures it."""
    tifffile.imwrite(folder / f"{number}.tif", grey, photometric="minisblack", metadata=None)
    return ["measure", str(folder / f"{number}.tif"), "--voxel-mm", "0.05", "--out", str(folder / f"out{number}")]


@pytest.mark.parametrize("correlated_px", [0.0, 1.2])
def test_a_faint_part_is_still_found_in_noise(correlated_px: float) -> None:
    """A pin whose contrast is five times the noise is not noise, also where neighbours share the noise."""
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
    assert resettled(FittedCandidate(candidate, fit, 5.0, False), []) is None


@pytest.mark.parametrize("shape", [(1, 1, 1), (1, 1, 9), (1, 9, 1), (3, 2, 2), (1, 3, 3), (2, 5, 5), (3, 1, 4)])
def test_slices_of_a_few_pixels_are_no_fault(shape: tuple[int, int, int], tmp_path: Path) -> None:
    """Slices of one to five pixels a side, one row or one column end with code 2 or 3, never 1."""
    for number, grey in enumerate((np.arange(np.prod(shape)).reshape(shape) % 7, np.zeros(shape))):
        assert main(answer_to(grey.astype(np.uint16), tmp_path, number)) in (2, 3)


def disc_stack() -> NDArray[np.float64]:
    """A disc of 14 px in four of eight slices, contrast 1, noise 0.03."""
    y, x = np.mgrid[:48, :52]
    grey = 0.03 * np.random.default_rng(3).standard_normal((8, 48, 52))
    grey[2:6] += np.clip(14.5 - np.hypot(x - 25.3, y - 23.8), 0, 1)
    return grey


@pytest.mark.parametrize(("factor", "offset", "stored"), [
    (1e29, 0, "f8"), (1e-30, 0, "f8"), (1e12, 0, "f4"), (20_000, -25_000, "i2"), (2**61, -(2**60), "i8"),
    (2**62, 2**61, "u8"), (30_000, 10_000, "f2"),
])  # fmt: skip
def test_grey_of_any_scale_is_measured(factor: float, offset: float, stored: str) -> None:
    """Very large, very small, negative or whole numbers to their limit: the disc is the same."""
    grey = (disc_stack() * factor + offset).astype(stored)
    (disc,) = measure_stack(SliceStack.from_array(grey, voxel_mm=0.1)).part.features
    assert disc.diameter_mm is not None
    assert disc.diameter_mm.value == pytest.approx(2 * 14 * 0.1, abs=0.02)


@pytest.mark.parametrize("stored", ["f4", "f8"])
def test_infinite_grey_is_refused(stored: str, tmp_path: Path) -> None:
    """Infinite grey ends in one sentence that names the slice; grey that is not a number is not data."""
    for number, wrong in enumerate((np.inf, -np.inf, 3e38)):
        grey = disc_stack()
        grey[3, 10] = wrong
        with pytest.raises(CtreconError, match=r"slice 3 holds grey values that are infinite or beyond 1e\+30"):
            measure_stack(SliceStack.from_array(grey.astype(stored), voxel_mm=0.1))
        assert main(answer_to(grey.astype(stored), tmp_path, number)) == 2
    grey = disc_stack()
    grey[6:] = np.nan
    assert measure_stack(SliceStack.from_array(grey.astype(stored), voxel_mm=0.1)).part.features
