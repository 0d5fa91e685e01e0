"""Bores and outsides in one slice: against the Cramér-Rao bound, with arcs, damage, corners and tiny holes."""

from collections.abc import Sequence
from functools import partial

import crlb
import numpy as np
from render import Distance, Floats, Pose, both, box, coverage, cut, disc, noise, round_distance, sector
from route import MM, flags_of, found_as, measure, nearest, sample, sizes_of
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
from skimage.measure import CircleModel, find_contours

from ctrecon.fitting.models import RoundModel
from ctrecon.fitting.solve import Samples, fit_grey

SECTION = "Bores and outsides, one slice"
NOISE = 0.05
"""SNR 20, in units of the contrast."""


def _pose(reach: float, rng: np.random.Generator) -> Pose:
    """One slice just large enough for a part of this reach, its centre off the grid."""
    side = 2 * int(np.ceil(reach + 10)) + 1
    middle = (side - 1) / 2
    x, y = middle + rng.uniform(-0.5, 0.5, 2)
    return Pose((1, side, side), (float(x), float(y), 0.0))


def _image(part: Distance, pose: Pose, rng: np.random.Generator) -> Floats:
    volume = coverage(part, pose)
    return volume + noise(volume.shape, NOISE, rng)


def _round(radius: float, hole: bool) -> tuple[Distance, str, float]:
    """A disc, or a hole of that radius in a plate; with its kind and reach."""
    if hole:
        return cut(disc(0, 0, radius + 14), disc(0, 0, radius)), "round_hole", radius + 14
    return disc(0, 0, radius), "round_outside", radius


def _compared(volume: Floats, pose: Pose, kind: str, size: float, limit: float | None, within: float = 3.0) -> Trial:
    part = measure(volume)
    one = found_as(part, kind, pose.centre[0], pose.centre[1], size, within)
    if one is None:
        return Trial(missing=(kind,))
    flags = flags_of(part, one)
    renamed = () if one.kind == kind else (f"{kind} as {one.kind}",)
    return Trial(tuple(sample("size", m, size, flags, limit) for m in sizes_of(one)), renamed=renamed)


def full_circle(rng: np.random.Generator, *, radius: float) -> Trial:
    """A whole circle, hole or outside by turns of the coin."""
    true = radius + rng.uniform(-0.5, 0.5)
    shape, kind, reach = _round(true, bool(rng.random() < 0.5))
    pose = _pose(reach, rng)
    return _compared(_image(shape, pose, rng), pose, kind, 2 * true, crlb.circle(radius, NOISE)[0])


def judge_circle(trials: Sequence[Trial]) -> list[Figure]:
    """RMS against the bound, bias, and what share of the truth the stated u covers."""
    s = samples_of(trials)
    return [
        Figure(f"RMS {rms(x.error for x in s):.4f} px"), crlb_figure(s, 1.3), bias_figure(s, 0.003),
        *_all_honest(s), *flags_figure(trials), *found_figure(trials),
    ]  # fmt: skip


def contour_circle(rng: np.random.Generator, *, radius: float) -> Trial:
    """For comparison: a circle through the half-height contour, as any library does it."""
    shape, _, reach = _round(radius, bool(rng.random() < 0.5))
    pose = _pose(reach, rng)
    image = _image(shape, pose, rng)[0]
    lines = find_contours(image, 0.5)
    lines = [
        p for p in lines if np.abs(np.hypot(p[:, 1] - pose.centre[0], p[:, 0] - pose.centre[1]) - radius).max() < 3
    ]
    if not lines:
        return Trial(missing=("contour",))
    model = CircleModel.from_estimate(max(lines, key=len))
    return Trial((Sample("size", 2 * float(model.radius) - 2 * radius, None, crlb.circle(radius, NOISE)[0]),))


def judge_contour(trials: Sequence[Trial]) -> list[Figure]:
    """Figures only: nothing of ours is judged here."""
    s = samples_of(trials)
    if not s:
        return found_figure(trials)
    bias = float(np.mean([x.error for x in s]))
    return [Figure(f"bias {bias:+.4f} px, RMS {rms(x.error for x in s):.4f} px"), *found_figure(trials)]


def arc_direct(rng: np.random.Generator, *, radius: float) -> Trial:
    """The fit itself on the voxels of a 90 degree arc, started half a pixel off."""
    hole = bool(rng.random() < 0.5)
    shape, _, reach = _round(radius, hole)
    pose = _pose(reach, rng)
    image = _image(shape, pose, rng)[0]
    y, x = np.mgrid[: image.shape[0], : image.shape[1]].astype(float)
    dx, dy = x - pose.centre[0], y - pose.centre[1]
    angle = (np.degrees(np.arctan2(dy, dx)) - rng.uniform(0, 360)) % 360
    keep = (np.abs(np.hypot(dx, dy) - radius) <= crlb.BAND) & (angle < 90)
    sectors = (angle[keep] // 10).astype(np.int64)
    samples = Samples(x[keep], y[keep], np.zeros(int(keep.sum())), image[keep].astype(float), sectors)
    model = RoundModel(hole)
    start = np.array([*pose.centre[:2], radius, 0.0, 0.0, 0.0])
    start[:3] += rng.uniform(-0.5, 0.5, 3)
    active = np.array([True, True, True, False, False, False])
    fit = fit_grey(model, start, samples, noise=NOISE, active=active)
    if not fit:
        return Trial(missing=("fit",))
    limit = crlb.circle(radius, NOISE, 90.0)[0]
    return Trial((Sample("size", 2 * (fit.value("radius") - radius), 2 * fit.u("radius"), limit),))


def arc_route(rng: np.random.Generator) -> Trial:
    """A quarter of a ring, radii 44 and 20, as a user would have it: both its round faces."""
    outer, inner = 44 + rng.uniform(-1, 1), 20 + rng.uniform(-1, 1)
    turn = float(rng.uniform(0, 360))
    side = 121
    pose = Pose((1, side, side), (60 + float(rng.uniform(-0.5, 0.5)), 60 + float(rng.uniform(-0.5, 0.5)), 0.0))
    ring = cut(disc(0, 0, outer), disc(0, 0, inner))
    part = measure(_image(both(ring, sector(0, 0, turn, turn + 90)), pose, rng))
    samples, missing = [], []
    for kind, radius in (("round_outside", outer), ("round_hole", inner)):
        one = nearest(part, kind, pose.centre[0], pose.centre[1], 2 * radius, 5.0)
        if one is None or one.diameter_mm is None:
            missing.append(kind)
            continue
        # within 3 px of both its ends the arc is blurred into the corner
        usable = 90 - np.degrees(2 * 3.0 / radius)
        limit = crlb.circle(round(radius), NOISE, float(round(usable)))[0]
        samples.append(sample("size", one.diameter_mm, 2 * radius, flags_of(part, one), limit))
    return Trial(tuple(samples), tuple(missing))


def judge_arc(trials: Sequence[Trial]) -> list[Figure]:
    """RMS against the bound, and whether the stated u agrees."""
    s = samples_of(trials)
    return [
        Figure(f"RMS {rms(x.error for x in s):.3f} px"), crlb_figure(s, 1.2), *_all_honest(s),
        *flags_figure(trials), *found_figure(trials),
    ]  # fmt: skip


def _all_honest(samples: Sequence[Sample]) -> list[Figure]:
    """Coverage without telling flags apart."""
    return honest_figure([Sample(s.quantity, s.error, s.u, s.limit) for s in samples])


def _eaten(radius: float, hole: bool, rng: np.random.Generator, notch: bool) -> tuple[Distance, str, float]:
    """A circle with a fifth of its rim eaten 1.5 to 4 px deep, or with one notch cut into the metal."""
    sign = 1 if hole else -1
    turn = float(rng.uniform(0, 360))
    depth = float(rng.uniform(3, 6) if notch else rng.uniform(1.5, 4))
    if notch:
        t = np.radians(turn)
        wide = float(rng.uniform(4, 8))
        bite = box(radius * np.cos(t), radius * np.sin(t), 2 * depth, wide, turn)
        if hole:
            return cut(disc(0, 0, radius + 16), disc(0, 0, radius), bite), "round_hole", radius + 16
        return cut(disc(0, 0, radius), bite), "round_outside", radius

    def rim(xx: Floats, yy: Floats, zz: Floats) -> Floats:
        off = np.abs((np.degrees(np.arctan2(yy, xx)) - turn + 180) % 360 - 180)
        r = radius + sign * depth * np.clip((36 - off) / 6, 0, 1)
        return round_distance(np.hypot(xx, yy), r)

    if hole:
        return cut(disc(0, 0, radius + 16), rim), "round_hole", radius + 16
    return rim, "round_outside", radius


def eaten(rng: np.random.Generator, *, notch: bool) -> Trial:
    """A damaged rim, hole or outside."""
    radius = float(rng.uniform(18, 32))
    shape, kind, reach = _eaten(radius, bool(rng.random() < 0.5), rng, notch)
    pose = _pose(reach, rng)
    limit = crlb.circle(round(radius), NOISE)[0]
    return _compared(_image(shape, pose, rng), pose, kind, 2 * radius, limit)


def judge_eaten(trials: Sequence[Trial]) -> list[Figure]:
    """Bias and RMS with the damage in place, and how often the damage is flagged."""
    s = samples_of(trials)
    return [bias_figure(s, 0.02), rms_figure(s, 0.05), *flags_figure(trials), *found_figure(trials)]


def tiny(rng: np.random.Generator) -> Trial:
    """A hole of R / sigma 2 to 4: it must be flagged when it is reported."""
    radius = float(rng.uniform(1.6, 3.2))
    pose = _pose(16, rng)
    part = measure(_image(cut(disc(0, 0, 16), disc(0, 0, radius)), pose, rng))
    x, y = pose.centre[:2]
    near = [
        f for f in part.features
        if f.kind.endswith("_hole") and f.x_mm is not None and f.y_mm is not None
        and np.hypot(f.x_mm.value / MM - x, f.y_mm.value / MM - y) < 2
    ]  # fmt: skip
    silent = [f for f in near if f.diameter_mm is not None and "very_small" not in f.flags]
    samples = tuple(
        sample("size", f.diameter_mm, 2 * radius, flags_of(part, f)) for f in near if f.diameter_mm is not None
    )
    return Trial(samples, values={"seen": float(bool(near)), "silent": float(bool(silent))})


def judge_tiny(trials: Sequence[Trial]) -> list[Figure]:
    """How often it is reported without its flag."""
    seen, silent = (int(sum(t.values.get(k, 0.0) for t in trials)) for k in ("seen", "silent"))
    s = samples_of(trials)
    bias = f", bias {np.mean([x.error for x in s]):+.3f} px" if s else ""
    return [
        Figure(f"reported {seen} of {len(trials)}{bias}; without the flag {silent}", "0 without", silent == 0),
        *found_figure(trials),
    ]


def square(rng: np.random.Generator, *, corner: float) -> Trial:
    """A square of flats 40, hole or outside, turned at random."""
    side = 40 + float(rng.uniform(-0.5, 0.5))
    turn = float(rng.uniform(0, 90))
    hole = bool(rng.random() < 0.5)
    shape = box(0, 0, side, side, turn, corner)
    if hole:
        shape = cut(disc(0, 0, 42), shape)
    pose = _pose(42 if hole else 29, rng)
    return _compared(_image(shape, pose, rng), pose, "square_hole" if hole else "square_outside", side, None)


def judge_square(trials: Sequence[Trial]) -> list[Figure]:
    """Bias and RMS of each pair of flats."""
    s = samples_of(trials)
    return [bias_figure(s, 0.01), rms_figure(s, 0.05), *flags_figure(trials), *found_figure(trials)]


ROWS = (
    *(
        Row(f"circle-{r}", SECTION, f"whole circle R {r} px, SNR 20, whole route", n,
            partial(full_circle, radius=float(r)), judge_circle)
        for r, n in ((10, 150), (20, 150), (60, 60))
    ),
    *(
        Row(f"contour-{r}", SECTION, f"for comparison: library circle through the contour, R {r} px", 60,
            partial(contour_circle, radius=float(r)), judge_contour)
        for r in (10, 20)
    ),
    *(
        Row(f"arc-{r}", SECTION, f"arc of 90 degrees R {r} px, the fit alone", 200,
            partial(arc_direct, radius=float(r)), judge_arc)
        for r in (10, 20, 60)
    ),
    Row("arc-route", SECTION, "quarter of a ring R 44 and 20 px, whole route", 60, arc_route, judge_arc),
    Row("eaten", SECTION, "a fifth of the rim eaten, whole route", 80, partial(eaten, notch=False), judge_eaten),
    Row("notch", SECTION, "one notch in the rim, whole route", 80, partial(eaten, notch=True), judge_eaten),
    Row("tiny", SECTION, "holes of R / sigma 2 to 4, whole route", 80, tiny, judge_tiny),
    *(
        Row(f"square-rc{c}", SECTION, f"flats of a square of 40 px, corner radius {c}, whole route", 80,
            partial(square, corner=float(c)), judge_square)
        for c in (0, 4)
    ),
)  # fmt: skip
