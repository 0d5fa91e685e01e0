"""Depth: faces and steps, the axis, sizes of leaning parts, taper."""

from collections.abc import Sequence
from functools import partial

import crlb
import numpy as np
from render import Distance, Floats, Pose, between, box, coverage, cut, disc, noise, union
from route import True_, compare, flags_of, found_as, measure, nearest, sample, sizes_of, turned
from row import (
    Figure,
    Row,
    Sample,
    Trial,
    bias_figure,
    crlb_figure,
    flags_figure,
    found_figure,
    honest_figure,
    rms,
    rms_figure,
    samples_of,
)

from ctrecon.record.part import taper_of

SECTION = "Depth"
NOISE = 0.05
TAPER = 1 / 48


def _pose(reach: float, slices: int, dz: float, tilt: float, rng: np.random.Generator) -> Pose:
    """A stack just large enough for a part of this reach, its middle off the grid."""
    lean = slices * dz / 2 * np.tan(np.radians(tilt))
    side = 2 * int(np.ceil(reach + lean + 8)) + 1
    x, y, z = (float(v) for v in rng.uniform(-0.5, 0.5, 3))
    centre = ((side - 1) / 2 + x, (side - 1) / 2 + y, (slices - 1) / 2 * dz + z)
    return Pose((slices, side, side), centre, (dz, 1.0, 1.0), tilt, float(rng.uniform(0, 360)))


def _image(part: Distance, pose: Pose, rng: np.random.Generator, sd: float = NOISE) -> Floats:
    volume = coverage(part, pose)
    return volume + noise(volume.shape, sd, rng)


def _middle(part: Distance, pose: Pose, rng: np.random.Generator) -> Floats:
    """Slices from the middle of a longer scan: where a part runs out, what lies beyond blurs into the last slices."""
    more = 4
    x, y, z = pose.centre
    slices, rows, columns = pose.shape
    longer = Pose(
        (slices + 2 * more, rows, columns), (x, y, z + more * pose.voxel[0]), pose.voxel, pose.tilt_deg, pose.towards_deg
    )
    volume = coverage(part, longer)[more:-more]
    return volume + noise(volume.shape, NOISE, rng)


def step(rng: np.random.Generator, *, snr: float, tilt: tuple[float, float]) -> Trial:
    """A disc of radius 22 with a boss of 13 beside its axis: two end faces and the step between, each over 500 px."""
    low, high = -float(rng.uniform(9, 13)), float(rng.uniform(9, 13))
    off, facing = float(rng.uniform(3, 6)), float(rng.uniform(0, 2 * np.pi))
    x, y = off * np.cos(facing), off * np.sin(facing)
    dz = float(rng.uniform(0.9, 1.4))
    pose = _pose(22, int(np.ceil((high - low) / dz)) + 12, dz, float(rng.uniform(*tilt)), rng)
    part = union(between(disc(0, 0, 22), low, 0), between(disc(x, y, 13), -0.1, high))
    truths = [True_("round_outside", 0, 0, low, 0, (44,)), True_("round_outside", x, y, 0, high, (26,))]
    return compare(measure(_image(part, pose, rng, 1 / snr), pose.voxel), truths, pose)


def judge_step(trials: Sequence[Trial], *, limit: float) -> list[Figure]:
    """RMS of the ends, and whether their u is honest."""
    s = samples_of(trials, "end")
    worst = max((abs(x.error) for x in s), default=float("nan"))
    return [
        rms_figure(s, limit, "slice"), bias_figure(s, limit / 2, "slice"), Figure(f"worst {worst:.3f} slice"),
        *honest_figure(s), *flags_figure(trials), *found_figure(trials),
    ]  # fmt: skip


def axis(rng: np.random.Generator, *, slices: int) -> Trial:
    """A ring of radii 24 and 10 that runs out of the stack at both ends, leaning by 0 to 6 degrees."""
    pose = _pose(24, slices, 1.0, float(rng.uniform(0, 6)), rng)
    part = measure(_middle(cut(disc(0, 0, 24), disc(0, 0, 10)), pose, rng))
    if part.axis is None:
        return Trial(missing=("axis",))
    u_centre = sum(crlb.circle(r, NOISE)[1] ** -2 for r in (24.0, 10.0)) ** -0.5
    limit = float(np.degrees(u_centre * np.sqrt(12 / (slices * (slices**2 - 1)))))
    off = np.degrees(np.array(part.axis.direction_xyz) - pose.axis)[:2]
    slopes = [Sample("slope", float(e), None, limit) for e in off]
    return Trial((*slopes, turned(part.axis, pose, flags_of(part, None))))


def judge_axis(trials: Sequence[Trial]) -> list[Figure]:
    """RMS of each component of the axis against the bound of the slices' centres."""
    s = samples_of(trials, "slope")
    return [
        Figure(f"RMS {rms(x.error for x in s):.4f} degrees"), crlb_figure(s, 1.3, "RMS / bound"),
        *honest_figure(samples_of(trials, "axis")),
        *flags_figure(trials), *found_figure(trials),
    ]  # fmt: skip


def leaning_size(rng: np.random.Generator, *, square: bool) -> Trial:
    """A part that leans by 6 degrees in any direction: what a slice shows is larger than what was turned or milled."""
    pose = _pose(32, 38, 1.0, 6.0, rng)
    if square:
        side = 40 + float(rng.uniform(-0.5, 0.5))
        part = measure(_image(between(box(0, 0, side, side, float(rng.uniform(0, 90)), 1.0), -12, 12), pose, rng))
        wanted = [("square_outside", side)]
    else:
        hole = 18 + float(rng.uniform(-0.5, 0.5))
        part = measure(_image(between(cut(disc(0, 0, 32), disc(0, 0, hole)), -12, 12), pose, rng))
        wanted = [("round_outside", 64.0), ("round_hole", 2 * hole)]
    samples, missing = [], []
    for kind, size in wanted:
        one = found_as(part, kind, pose.centre[0], pose.centre[1], size)
        if one is None:
            missing.append(kind)
        else:
            samples += [sample("size", m, size, flags_of(part, one)) for m in sizes_of(one)]
    return Trial(tuple(samples), tuple(missing))


def judge_leaning(trials: Sequence[Trial], *, effect: float) -> list[Figure]:
    """What is left of the effect."""
    s = samples_of(trials)
    return [
        Figure(f"in the slice plane up to {effect:+.2f} px"), bias_figure(s, 0.01), rms_figure(s, 0.02), *honest_figure(s),
        *flags_figure(trials), *found_figure(trials),
    ]  # fmt: skip


def taper(rng: np.random.Generator, *, growth: float) -> Trial:
    """A hole of radius 11 through 24 slices of a ring, running out at both ends; `growth` is diameter per depth."""
    pose = _pose(24, 24, 1.0, float(rng.uniform(0, 2)), rng)
    part = measure(_middle(cut(disc(0, 0, 24), disc(0, 0, 11, growth / 2)), pose, rng))
    one = nearest(part, "round_hole", pose.centre[0], pose.centre[1], 22)
    if one is None or one.taper_mm_per_mm is None:
        return Trial(missing=("round_hole" if one is None else "its taper",))
    got = one.taper_mm_per_mm
    limit = crlb.cone(11.0, NOISE, 24, 1.0)[0]
    told = {"tapered": float("tapered" in one.flags), "significant": float(taper_of(one) is not None)}
    return Trial((Sample("taper", got.value - growth, got.u, limit, flags_of(part, one)),), values=told)


def judge_taper(trials: Sequence[Trial], *, tapered: bool) -> list[Figure]:
    """RMS against the joint bound, and how often it is called tapered."""
    s = samples_of(trials)
    called = sum(t.values.get("tapered", 0.0) for t in trials)
    significant = sum(t.values.get("significant", 0.0) for t in trials)
    n = len(trials)
    right = called >= 0.99 * n and significant >= 0.99 * n if tapered else called + significant <= 0.02 * n
    text = f"called tapered {called:.0f}, taper beyond four u {significant:.0f} of {n}"
    return [
        crlb_figure(s, 1.3), Figure(text, "all" if tapered else "none", right), *honest_figure(s), *flags_figure(trials), *found_figure(trials),
    ]  # fmt: skip


ROWS = (
    Row("step-snr20", SECTION, "ends and step, untilted, SNR 20", 24, partial(step, snr=20.0, tilt=(0.0, 0.0)),
        partial(judge_step, limit=0.02)),
    Row("step-snr5", SECTION, "ends and step, untilted, SNR 5", 24, partial(step, snr=5.0, tilt=(0.0, 0.0)),
        partial(judge_step, limit=0.06)),
    Row("step-tilted", SECTION, "ends and step, tilted 1 to 6 degrees, SNR 20", 24,
        partial(step, snr=20.0, tilt=(1.0, 6.0)), partial(judge_step, limit=0.05)),
    Row("axis-20", SECTION, "axis over 20 slices, 0 to 6 degrees", 24, partial(axis, slices=20), judge_axis),
    Row("axis-8", SECTION, "axis over 8 slices, 0 to 6 degrees", 24, partial(axis, slices=8), judge_axis),
    Row("tilt-round", SECTION, "diameters 36 and 64 px tilted by 6 degrees", 16, partial(leaning_size, square=False),
        partial(judge_leaning, effect=64 * (1 / np.cos(np.radians(6)) - 1) / 2)),
    Row("tilt-square", SECTION, "flats 40 px tilted by 6 degrees", 16, partial(leaning_size, square=True),
        partial(judge_leaning, effect=40 * (1 / np.cos(np.radians(6)) - 1))),
    Row("taper", SECTION, "taper 1:48, hole of R 11 px, 24 slices", 24, partial(taper, growth=TAPER),
        partial(judge_taper, tapered=True)),
    Row("parallel", SECTION, "parallel hole of R 11 px, 24 slices", 24, partial(taper, growth=0.0),
        partial(judge_taper, tapered=False)),
)  # fmt: skip
