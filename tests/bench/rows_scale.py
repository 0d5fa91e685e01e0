"""Honest uncertainty where the scale is not known: a wrong voxel size put right by one or two known sizes.

The files state a voxel that is off by 1 % (sd), the grey scale is curved a little, and somebody read a caliper or
a plug gauge. What is stated then holds scale and edge too.
"""

from collections.abc import Sequence
from functools import partial

import numpy as np
import rows_coverage
from disturb import curved_grey
from render import Pose, box, coverage, cut, disc, grey16, noise
from route import MM, flags_of, sizes_of
from row import Figure, Row, Sample, Trial, flags_figure, found_figure, honest_figure, samples_of

from ctrecon import SliceStack, measure_stack
from ctrecon.calibration import Known, find_scale

U_CALIPER = 0.1
"""Standard uncertainty of a reading, px (0.005 mm)."""


def known_sizes(rng: np.random.Generator, *, readings: int) -> Trial:
    """A disc with a round bore and a square hole in one slice; the outside, then also the bore, was read by hand."""
    outer, bore, side = (float(v + rng.uniform(-1, 1)) for v in (34, 9, 14))
    facing = float(rng.uniform(0, 2 * np.pi))
    x, y = np.cos(facing), np.sin(facing)
    square = box(14 * x, 14 * y, side, side, float(rng.uniform(0, 90)), 1.0)
    pose = Pose((1, 90, 90), tuple(44.5 + rng.uniform(-0.5, 0.5, 2)) + (0.0,))
    volume = coverage(cut(disc(0, 0, outer), disc(-15 * x, -15 * y, bore), square), pose)
    volume = curved_grey(0.03)(volume, pose, rng) + noise(volume.shape, rows_coverage.NOISE, rng)
    wrong = MM * float(np.exp(rng.normal(0, 0.01)))
    part = measure_stack(SliceStack.from_array(grey16(volume), voxel_mm=(wrong, wrong, wrong), source="bench")).part
    truths = {"round_outside": (2 * outer,), "round_hole": (2 * bore,), "square_hole": (side, side)}
    ids = {f.kind: f.id for f in part.features}
    lost = tuple(kind for kind in truths if kind not in ids)
    if lost and lost != ("square_hole",):
        return Trial(missing=lost)
    knowns = [
        Known(feature=ids[kind], value_mm=MM * (truths[kind][0] + float(rng.normal(0, U_CALIPER))), u_mm=MM * U_CALIPER)
        for kind in ("round_outside", "round_hole")[:readings]
    ]
    found = find_scale(part, knowns)
    samples = []
    for one in found.part.features:
        if one.kind not in truths:
            continue
        name = "diameter_mm" if one.diameter_mm is not None else "flats_mm"
        u = found.u_total.get((one.id, name))
        values = (
            [m.value for m in sizes_of(one)]
            if one.diameter_mm is not None or one.flats_mm is None
            else [one.flats_mm.value]
        )
        error = float(np.mean(values)) / MM - float(np.mean(truths[one.kind]))
        samples.append(Sample("size", error, None if u is None else u / MM, None, flags_of(found.part, one)))
    return Trial(tuple(samples), renamed=tuple(f"{kind} as another shape" for kind in lost))


def judge(trials: Sequence[Trial]) -> list[Figure]:
    """Coverage of all sizes with scale and edge in their uncertainty."""
    return [*honest_figure(samples_of(trials)), *flags_figure(trials), *found_figure(trials)]


ROWS = tuple(
    Row(f"scale-{n}", rows_coverage.SECTION, f"voxel off by 1 %, {words} known to 0.1 px, one slice", 60,
        partial(known_sizes, readings=n), judge)
    for n, words in ((1, "outside"), (2, "outside and bore"))
)  # fmt: skip
