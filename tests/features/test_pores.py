"""Pores and inclusions in plates painted here, in noise that neighbours share over 1.2 px: named, but no features."""

import re

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ctrecon import SliceStack, measure_stack
from ctrecon.explain import explain_scan


def porous_plate(seed: int) -> tuple[NDArray[np.uint16], list[tuple[float, float, float, int]]]:
    """A plate of 63 by 55 px with a hole; five balls of 1 to 3 px of air or heavier metal: x, y, radius, sign."""
    rng = np.random.default_rng(seed)
    z, y, x = np.indices((30, 80, 80)).astype(float)
    metal = ((abs(x - 39.6) < 31.3) & (abs(y - 40.2) < 27.4) & (z > 4) & (z < 25)).astype(float)
    metal *= np.hypot(x - 24, y - 40) > 7
    balls: list[tuple[float, float, float, int]] = []
    while len(balls) < 5:
        radius, depth, row, column = (float(rng.uniform(*r)) for r in ((1, 3), (10, 20), (19, 61), (38, 64)))
        if all(np.hypot(column - b[0], row - b[1]) > 12 for b in balls):
            sign = 1 if rng.random() < 0.25 else -1
            away = np.sqrt((z - depth) ** 2 + (y - row) ** 2 + (x - column) ** 2)
            metal += (0.7 if sign > 0 else -1) * np.clip(radius - away + 0.5, 0, 1)
            balls.append((column, row, radius, sign))
    noise = ndimage.gaussian_filter(rng.standard_normal(metal.shape), 1.2)
    grey = ndimage.gaussian_filter(metal, 0.8) + noise / noise.std() / 12
    return (20_000 + 15_000 * grey).astype(np.uint16), balls


def test_pores_and_inclusions_are_named_and_no_features(times: int) -> None:
    """The record holds the plate and its hole alone; every larger ball is named for what it is, at its place."""
    for seed in range(9800, 9800 + times):
        grey, balls = porous_plate(seed)
        stack = SliceStack.from_array(grey, voxel_mm=0.1)
        part = measure_stack(stack).part
        assert sorted(f.kind.split("_")[1] for f in part.features) == ["hole", "outside"]
        said = [lump.says for lump in explain_scan(part, stack).lumps]
        for x, y, radius, sign in balls:
            if radius < 1.8:
                continue
            near = [
                s for s in said
                if (at := re.search(r"x = ([\d.]+), y = ([\d.]+) mm", s))
                and np.hypot(float(at[1]) * 10 - x, float(at[2]) * 10 - y) < 2
            ]  # fmt: skip
            assert any(("inclusion" if sign > 0 else "pore") in s for s in near), (x, y, radius, sign, said)
