"""Shape run: single shapes rendered from plain geometry, measured, and their kind compared with the truth.

    python tests/accuracy/shapes.py --trials 20 --seed 9000

Each trial draws SNR 8 to 40, psf 0.6 to 1.2 px, size 8 to 60 px, turn and place at random, in one slice
and in 20. A kind is right, undecided (the true kind is among the named ones), or wrong; wrong and not
flagged is what must not happen.
"""

import argparse
from collections import Counter
from collections.abc import Callable

import numpy as np
from scipy import ndimage

from ctrecon.core.fit_result import FitFailed
from ctrecon.features.candidates import find_candidates
from ctrecon.features.collect_voxels import collect_voxels
from ctrecon.features.shape_selection import fit_best, request_best
from ctrecon.features.size import FittedCandidate
from ctrecon.features.small_bores import find_small_bores
from ctrecon.grey.levels import find_levels
from ctrecon.grey.square_up import axis_from_normals, enough_depth, square_up
from ctrecon.grey.survey import survey_stack
from ctrecon.outlines.stretches import find_stretches
from ctrecon.slices import SliceStack

FINE = 5  # samples a pixel in each direction


def inside_round(u: np.ndarray, v: np.ndarray, size: float, ratio: float = 1.0) -> np.ndarray:
    """Circle, or an ellipse of axes size and size times ratio."""
    return np.hypot(u, v / ratio) < size / 2


def inside_rectangle(u: np.ndarray, v: np.ndarray, a: float, b: float, corner: float = 0.0) -> np.ndarray:
    """Rectangle with round corners."""
    qu, qv = np.abs(u) - a / 2 + corner, np.abs(v) - b / 2 + corner
    return np.hypot(np.maximum(qu, 0), np.maximum(qv, 0)) + np.minimum(np.maximum(qu, qv), 0) < corner


def inside_polygon(u: np.ndarray, v: np.ndarray, flats: float, sides: int) -> np.ndarray:
    """Regular polygon by twice its inradius."""
    angle = 2 * np.pi * np.arange(sides) / sides
    return np.max([u * np.cos(a) + v * np.sin(a) for a in angle], axis=0) < flats / 2


def inside_block_less_corner(u: np.ndarray, v: np.ndarray, a: float, b: float, lost: float) -> np.ndarray:
    """Rectangle that lacks a rectangular corner of `lost` times its sides."""
    gone = (u > a / 2 - lost * a) & (v > b / 2 - lost * b)
    return (np.abs(u) < a / 2) & (np.abs(v) < b / 2) & ~gone


Inside = Callable[[np.ndarray, np.ndarray], np.ndarray]
SHAPES: dict[str, tuple[str, Callable[[float], Inside]]] = {
    "round": ("round", lambda s: lambda u, v: inside_round(u, v, s)),
    "square": ("square", lambda s: lambda u, v: inside_rectangle(u, v, s, s)),
    "square, corner 0.25": ("square", lambda s: lambda u, v: inside_rectangle(u, v, s, s, 0.25 * s)),
    "square, corner 0.4": ("square", lambda s: lambda u, v: inside_rectangle(u, v, s, s, 0.4 * s)),
    "rectangle 1:1.02": ("rectangular", lambda s: lambda u, v: inside_rectangle(u, v, s, 1.02 * s)),
    "rectangle 1:1.1": ("rectangular", lambda s: lambda u, v: inside_rectangle(u, v, s, 1.1 * s)),
    "rectangle 1:2": ("rectangular", lambda s: lambda u, v: inside_rectangle(u, v, s, 2 * s)),
    "slot 1:2": ("slot", lambda s: lambda u, v: inside_rectangle(u, v, s, 2 * s, 0.5 * s)),
    "ellipse 0.8": ("free", lambda s: lambda u, v: inside_round(u, v, s, 0.8)),
    "L, half of each side": ("free", lambda s: lambda u, v: inside_block_less_corner(u, v, s, 0.9 * s, 0.55)),
} | {
    f"{n}-gon": ("polygon", lambda s, n=n: lambda u, v: inside_polygon(u, v, s, n)) for n in (3, 5, 6, 7, 8, 9, 10, 12)
}


def render(
    inside: Inside, reach: float, rng: np.random.Generator, *, hole: bool, slices: int, snr: float, psf_px: float
) -> tuple[np.ndarray, tuple[float, float]]:
    """Return a volume (air 0, metal 1) with one shape through all slices, and its centre (column, row)."""
    half = int(np.ceil(reach + 14))
    count = 2 * half + 1
    x, y = half + rng.uniform(-0.5, 0.5, 2)
    turn = rng.uniform(0, 2 * np.pi)
    fine = (np.arange(count * FINE) + 0.5) / FINE - 0.5
    dx, dy = fine[None, :] - x, fine[:, None] - y
    u, v = dx * np.cos(turn) + dy * np.sin(turn), -dx * np.sin(turn) + dy * np.cos(turn)
    metal = inside(u, v).astype(float)
    if hole:
        metal = (np.hypot(dx, dy) < half - 4) - metal
    plane = ndimage.gaussian_filter(metal, psf_px * FINE).reshape(count, FINE, count, FINE).mean(axis=(1, 3))
    pad = 0 if slices == 1 else 5
    depth = np.zeros(slices + 2 * pad)
    depth[pad : pad + slices] = 1.0
    depth = ndimage.gaussian_filter1d(depth, psf_px) if pad else depth
    volume = depth[:, None, None] * plane
    return volume + rng.standard_normal(volume.shape) / snr, (float(x), float(y))


def measure_one(volume: np.ndarray, place: tuple[float, float], *, hole: bool) -> FittedCandidate | None:
    """Find and fit what lies at the shape's place, with the stages of a measurement up to the choice of shape."""
    volume = (volume * 3000 + 800).astype(np.float32)
    stack = SliceStack.from_array(volume, voxel_mm=0.1, source="shape", towards_viewer=False)
    levels = find_levels(stack)
    survey = None if levels is None else survey_stack(stack, levels)
    if survey is None or not survey.bodies:
        return None
    squared = square_up(survey, axis_from_normals(survey.normals) if enough_depth(survey) else None)
    smooth, least = (0.7, 9.0) if survey.levels.snr > 12 else (1.2, 28.0)
    stretches = find_stretches(
        squared.plane, len(squared), smooth_px=smooth, least_area_px2=least, least_planes=survey.body_slices
    )
    candidates = find_candidates(squared, stretches, smooth_px=smooth)
    near = []
    for one in (*candidates, *find_small_bores(squared, candidates)):
        middle = one.spans[0].points.mean(axis=0)
        size = float(np.ptp(one.spans[0].points, axis=0).max())
        column, row = squared.to_stack_mm(*middle, (one.first + one.last) / 2)[:2] / 0.1
        if one.hole == hole and np.hypot(column - place[0], row - place[1]) < 4 + 0.1 * size:
            near.append(one)
    if not near:
        return None
    chosen = max(near, key=lambda one: one.last - one.first)
    want = request_best(chosen)
    if want is None:
        return FittedCandidate(chosen, FitFailed("free"), 0.0, False)
    (data,) = collect_voxels(squared, [want])
    return fit_best(chosen, data, squared, survey.levels.noise_rel)


def named(kind: str, sides: int | None) -> str:
    """Return the kind, polygons with their sides."""
    return f"polygon {sides}" if kind == "polygon" else kind


def verdict(sized: FittedCandidate | None, kind: str, sides: int | None) -> str:
    """Return right, undecided, named (second, without a flag), wrong, silent (wrong without a word) or lost."""
    wanted = named(kind, sides)
    if sized is None:
        return "lost"
    candidate = sized.candidate
    if candidate.shape is not None and not sized.fit:
        return "lost"
    own = named(candidate.kind, getattr(candidate.shape, "sides", None))
    others = {named(o.kind, o.sides) for o in candidate.others}
    if "undecided" in candidate.flags:
        return "undecided" if wanted in {own, *others} else "wrong"
    return "right" if own == wanted else "named" if wanted in others else "silent"


def main() -> None:
    """Run the trials and print one row a shape."""
    parser = argparse.ArgumentParser(description="kinds of single shapes against their truth")
    parser.add_argument("--trials", type=int, default=8)
    parser.add_argument("--seed", type=int, default=9000)
    parser.add_argument("--only", default="")
    parser.add_argument("--slices", type=int, nargs="*", default=[1, 20])
    parser.add_argument("--verbose", action="store_true")
    args = parser.parse_args()
    print(f"{'shape':24}{'slices':>7}{'trials':>7}{'right':>7}{'undec.':>7}{'named':>7}{'flagged':>8}{'silent':>7}{'lost':>6}")
    for index, (name, (kind, make)) in enumerate(SHAPES.items()):
        if args.only not in name:
            continue
        sides = int(name.split("-")[0]) if kind == "polygon" else None
        for slices in args.slices:
            count: Counter[str] = Counter()
            for trial in range(args.trials):
                rng = np.random.default_rng([args.seed, index, slices, trial])
                snr, psf = float(np.exp(rng.uniform(np.log(8), np.log(40)))), float(rng.uniform(0.6, 1.2))
                size = float(np.exp(rng.uniform(np.log(8), np.log(60))))
                hole = bool(rng.random() < 0.5) or kind == "slot" or size < 10  # smaller bodies count as specks
                volume, place = render(make(size), 1.25 * size, rng, hole=hole, slices=slices, snr=snr, psf_px=psf)
                sized = measure_one(volume, place, hole=hole)
                got = verdict(sized, kind, sides)
                count[got] += 1
                if args.verbose and got not in ("right", "undecided", "named"):
                    told = "nothing" if sized is None else f"{sized.candidate.kind} {sized.candidate.shape}"
                    side = "hole" if hole else "outside"
                    print(f"    {got}: trial {trial}, {side} of {size:.1f} px, SNR {snr:.1f}, psf {psf:.2f}: {told}")
            row = [count[k] for k in ("right", "undecided", "named", "wrong", "silent", "lost")]
            print(f"{name:24}{slices:7}{args.trials:7}{row[0]:7}{row[1]:7}{row[2]:7}{row[3]:8}{row[4]:7}{row[5]:6}", flush=True)


if __name__ == "__main__":
    main()
