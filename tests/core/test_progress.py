"""One bar out of the stages: it only goes forward, ends at its end, and says what is left."""

import itertools

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

import ctrecon
from ctrecon.core.progress import BEGUN, STAGES, Standing, Whole, shares


def _bar(**options: object) -> tuple[Whole, list[Standing]]:
    seen: list[Standing] = []
    clock = itertools.count(0.0, 10.0)
    return Whole(seen.append, clock=lambda: float(next(clock)), **options), seen  # type: ignore[arg-type]


@pytest.mark.parametrize("voxels", [1e4, 2.8e6, 8e6, 22e6, 1e9])
def test_shares_make_a_whole(voxels: float) -> None:
    """Whatever the size of the stack, the shares of all stages sum to 100 %."""
    assert sum(shares(voxels).values()) == pytest.approx(100.0)
    assert min(shares(voxels).values()) > 0


@pytest.mark.parametrize("upto", ["form", "explain", "writing"])
def test_the_last_stage_ends_the_bar(upto: str) -> None:
    """With all stages told up to the last, the bar stands at its end and nothing is left."""
    whole, seen = _bar(upto=upto)
    whole(BEGUN, 0, 5_000_000)
    for stage in STAGES[: STAGES.index(upto) + 1]:
        whole(stage, 1, 2)
        whole(stage, 2, 2)
    assert [one.share for one in seen] == sorted(one.share for one in seen)
    assert seen[-1].share == pytest.approx(1.0)
    assert seen[-1].left_s == pytest.approx(0.0, abs=1e-6)


def test_a_stage_done_twice_does_not_turn_the_bar_back() -> None:
    """Traced again, the share waits, the stage is named, and the time left grows; an unknown stage changes nothing."""
    whole, seen = _bar()
    whole("sizes", 1, 1)
    whole("outlines", 0, 9)
    whole("teapots", 1, 9)
    assert [one.stage for one in seen] == ["sizes", "outlines"]
    assert seen[0].share == seen[1].share
    assert seen[0].left_s is not None and seen[1].left_s is not None
    assert seen[1].left_s > seen[0].left_s


def test_measuring_ends_the_bar() -> None:
    """A real measurement tells its stages in their order and ends at the end, even where nothing is found."""
    y, x = np.mgrid[:40, :40]
    metal = np.clip(14.5 - abs(x - 19.4), 0, 1) * np.clip(10.5 - abs(y - 19.7), 0, 1)
    noise = np.random.default_rng(1).normal(0, 5, x.shape)
    for grey, found in ((100 + 800 * gaussian_filter(metal, 1.0) + noise, 1), (100 + noise, 0)):
        seen: list[Standing] = []
        part = ctrecon.measure_stack(grey, voxel_mm=0.1, progress=Whole(seen.append, upto="form")).part
        assert len(part.features) == found
        assert seen[-1].share == pytest.approx(1.0)
        known = [STAGES.index(one.stage) for one in seen]
        assert known == sorted(known)
