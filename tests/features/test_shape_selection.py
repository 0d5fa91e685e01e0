"""Duels between shapes on the grey values, on rendered single shapes."""

import importlib.util
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from scipy import ndimage

from ctrecon.features.size import FittedCandidate
from ctrecon.measuring import measure_stack
from ctrecon.slices import SliceStack


def load_shapes() -> ModuleType:
    """Load the shape run of the accuracy folder: its renderer knows nothing of the models."""
    path = Path(__file__).parents[1] / "accuracy" / "shapes.py"
    spec = importlib.util.spec_from_file_location("accuracy_shapes", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


RUN = load_shapes()


def measured(name: str, size: float, seed: int, *, slices: int = 12, snr: float = 20.0, hole: bool = True) -> FittedCandidate:
    """Render one shape of the run's list and measure it up to the choice of its shape."""
    rng = np.random.default_rng(seed)
    volume, place = RUN.render(
        RUN.SHAPES[name][1](size), 1.25 * size, rng, hole=hole, slices=slices, snr=snr, psf_px=0.8
    )
    found = RUN.measure_one(volume, place, hole=hole)
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("name", "size", "kind", "sides"),
    [
        ("round", 12.0, "round", None),
        ("round", 30.0, "round", None),
        ("square, corner 0.4", 26.0, "square", None),
        ("square", 24.0, "square", None),
        ("6-gon", 12.0, "polygon", 6),
        ("5-gon", 20.0, "polygon", 5),
        ("8-gon", 14.0, "polygon", 8),
        ("12-gon", 30.0, "polygon", 12),
        ("rectangle 1:1.02", 24.0, "rectangular", None),
        ("rectangle 1:2", 8.0, "rectangular", None),
        ("slot 1:2", 10.0, "slot", None),
        ("ellipse 0.8", 16.0, "free", None),
    ],
)
def test_kind_is_right(name: str, size: float, kind: str, sides: int | None) -> None:
    """In twelve slices at SNR 20 the kind is told rightly and without a doubt."""
    found = measured(name, size, 41).candidate
    assert found.kind == kind
    assert "undecided" not in found.flags
    assert getattr(found.shape, "sides", None) == sides


def test_l_shaped_block_is_free_and_a_lost_corner_is_not() -> None:
    """A block that lacks 30 % of its area is a free shape; one that lacks a small corner stays a rectangle."""
    assert measured("L, half of each side", 30.0, 5, hole=False).candidate.kind == "free"
    rng = np.random.default_rng(6)
    volume, place = RUN.render(
        lambda u, v: RUN.inside_block_less_corner(u, v, 30.0, 24.0, 0.3), 38.0, rng, hole=False, slices=12, snr=20.0,
        psf_px=0.8,
    )  # fmt: skip
    assert RUN.measure_one(volume, place, hole=False).candidate.kind == "rectangular"


def test_a_square_in_noise_that_voxels_share_stays_a_square() -> None:
    """Square holes of 14 px in one slice, noise alike over 1.2 px: the shared noise is not a reason for a rectangle."""
    kinds = []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        y, x = (np.mgrid[:320, :320] - 159.5) / 4
        c, s = np.cos(0.4 + seed), np.sin(0.4 + seed)
        u, v = np.abs(x * c + y * s), np.abs(y * c - x * s)
        solid = ((np.hypot(x, y) < 34) & (np.maximum(u, v) > 7)).astype(float)
        grey = ndimage.gaussian_filter(solid, 3.2).reshape(80, 4, 80, 4).mean(axis=(1, 3))
        noise = ndimage.gaussian_filter(rng.standard_normal(grey.shape), 1.2, mode="wrap")
        grey = grey + 0.05 * noise / noise.std()
        part = measure_stack(SliceStack.from_array(grey[None].astype(np.float32), voxel_mm=(0.1, 0.1, 0.1))).part
        kinds += [f.kind for f in part.features if f.kind.endswith("_hole")]
    assert kinds.count("square_hole") >= 5


def test_a_close_call_names_both() -> None:
    """A square of 10 px, 1.2 % out, in one noisy slice: undecided, with the other kind, its odds and sizes beside it."""
    rng = np.random.default_rng(9)
    volume, place = RUN.render(
        lambda u, v: RUN.inside_rectangle(u, v, 10.0, 10.12), 12.0, rng, hole=True, slices=1, snr=10.0, psf_px=0.9
    )
    candidate = RUN.measure_one(volume, place, hole=True).candidate
    assert "undecided" in candidate.flags
    assert {candidate.kind, *(o.kind for o in candidate.others)} >= {"square", "rectangular"}
    assert all(0 <= o.ln_odds < 5 for o in candidate.others)
    assert all(8 < size < 12 for o in candidate.others for size in o.sizes_px.values())


def test_a_close_call_reaches_the_record() -> None:
    """The record of an undecided feature carries the flag and the alternative in mm, with a sentence."""
    rng = np.random.default_rng(9)
    volume, _ = RUN.render(
        lambda u, v: RUN.inside_rectangle(u, v, 10.0, 10.12), 12.0, rng, hole=True, slices=1, snr=10.0, psf_px=0.9
    )
    stack = SliceStack.from_array(
        (volume * 3000 + 800).astype(np.float32), voxel_mm=0.1, source="plate", towards_viewer=False
    )
    (hole,) = [f for f in measure_stack(stack).part.features if "undecided" in f.flags]
    (other,) = hole.alternatives
    assert {hole.kind, other.kind} == {"square_hole", "rectangular_hole"}
    assert all(size == pytest.approx(1.0, abs=0.1) for size in other.sizes.values())
    assert "could also be" in other.says


def test_plain_circles_need_no_duel(monkeypatch: pytest.MonkeyPatch) -> None:
    """A bore of 30 px with a sound rim is measured without fitting any other shape."""
    import ctrecon.features.shape_selection as contest

    def refuse(*_: Any) -> Any:
        raise AssertionError("a duel was held")

    monkeypatch.setattr(contest, "contestants", refuse)
    assert measured("round", 30.0, 43).candidate.kind == "round"


@pytest.mark.parametrize(("taper", "words"), [(0.0, None), (0.05, None), ("close", "parallel")])
def test_taper_or_parallel(taper: float | str, words: str | None) -> None:
    """A clear taper and a parallel bore stand alone; one that stands out by 4.2 of its u names the other reading."""
    from dataclasses import replace

    from ctrecon.features.special_cases import special_case

    plain = measured("round", 30.0, 47)
    at, u = plain.fit.names.index("growth"), 0.001
    values, covariance = plain.fit.values.copy(), plain.fit.covariance.copy()
    values[at] = 4.2 * u if isinstance(taper, str) else taper
    covariance[at, :], covariance[:, at] = 0.0, 0.0
    covariance[at, at] = u**2
    bent = replace(plain, fit=replace(plain.fit, values=values, covariance=covariance))
    empty = (np.empty(0), np.empty(0), np.empty(0), np.empty(0))
    told = special_case(bent, empty, None, 0.05)  # type: ignore[arg-type]
    assert [o.words for o in told.candidate.others] == ([] if words is None else [words])
    assert ("undecided" in told.candidate.flags) == (words is not None)


@pytest.mark.parametrize(("step", "flag"), [(0.0, None), (0.8, "bent_outline")])
def test_one_arc_or_two(step: float, flag: str | None) -> None:
    """A bore with two keyways is one circle; with one half 0.8 px wider in diameter it is told to be two arcs."""

    def inside(u: np.ndarray, v: np.ndarray) -> np.ndarray:
        radius = np.where(u > 0, 18.0 + step / 2, 18.0)
        ways = (np.abs(u) < 4) & (np.abs(v) < 22)
        return np.asarray((np.hypot(u, v) < radius) | ways)

    volume, place = RUN.render(inside, 30.0, np.random.default_rng(12), hole=True, slices=12, snr=20.0, psf_px=0.8)
    candidate = RUN.measure_one(volume, place, hole=True).candidate
    assert candidate.kind == "round"
    assert ("bent_outline" in candidate.flags) == (flag is not None)
    two = [o for o in candidate.others if "two arcs" in o.words]
    assert len(two) == (flag is not None)
    if two:
        assert two[0].ln_odds < -5
        assert sorted(two[0].sizes_px.values()) == pytest.approx([36.0, 36.8], abs=0.15)
