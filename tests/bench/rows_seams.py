"""Seams inside solid metal: how thin one is still found, false alarms, thickness, time."""

import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from unittest import mock

import numpy as np
from disturb import Change, cupping, rings, streaks
from render import Distance, Floats, Pose, between, both, box, coverage, cut, disc, grey16, noise
from route import MM
from row import (
    Figure,
    Row,
    Sample,
    Trial,
    bias_figure,
    found_figure,
    honest_figure,
    rms_figure,
    samples_of,
)
from scipy import ndimage
from scipy.optimize import minimize_scalar
from scipy.special import log_ndtr

from ctrecon import SliceStack, measure_stack, measuring
from ctrecon.features.build import MeasuredFeature
from ctrecon.grey.square_up import SquaredStack
from ctrecon.seams.find import find_seams

SECTION = "Seams"
NOISE = 0.05
REACH = 31.0
FLATS = 24.0
MIDDLING, LARGE = 32.0, 120.0
_STEEP = 4.5  # how fast the chance to find a seam grows with its thickness over that found in half of the cases
_SLICES, _SIDE, _TIMED = 100, 512, 200.0
_PSF = 0.8
_CERTAIN = 4.5 + 1.645  # deviations: a line of many thousand stands out at 4.5, in 95 of 100 cases at this


def pose_of(slices: int, rng: np.random.Generator, tilt: float = 1.0, reach: float = REACH) -> Pose:
    side = 2 * int(np.ceil(reach + slices / 2 * np.tan(np.radians(tilt)) + 7)) + 1
    x, y, z = (float(v) for v in rng.uniform(-0.5, 0.5, 3))
    centre = ((side - 1) / 2 + x, (side - 1) / 2 + y, (slices - 1) / 2 + z)
    lean = 0.0 if slices == 1 else float(rng.uniform(0, tilt))
    return Pose((slices, side, side), centre, (1.0, 1.0, 1.0), lean, float(rng.uniform(0, 360)))


def gap(part: Distance, pose: Pose, shape: Callable[[float], Distance], thick: float, where: Distance | None) -> Floats:
    """Metal lost to a gap: what the shape grown by half the thickness covers less what the shrunk one does."""
    outer, inner = (shape(s * thick / 2) for s in (1, -1))
    if where is not None:
        outer, inner = both(outer, where), both(inner, where)
    return coverage(both(part, outer), pose) - coverage(both(part, inner), pose)


@contextmanager
def _kept() -> Iterator[list[tuple[SquaredStack, list[MeasuredFeature]]]]:
    """Keep what the measuring hands to the search for seams, and leave out everything behind it."""
    kept: list[tuple[SquaredStack, list[MeasuredFeature]]] = []
    build = measuring.build_features

    def keep(squared: SquaredStack, *args: object, **options: object) -> list[MeasuredFeature]:
        drafts = build(squared, *args, **options)  # type: ignore[arg-type]
        kept.append((squared, drafts))
        return drafts

    leave_out: dict[str, Callable[..., object]] = {
        "build_features": keep,
        "with_form_and_relations": lambda part, *args, **options: part,
        "make_pictures": lambda *args, **options: (),
        "find_seams": lambda *args, **options: [],
        "find_face_seams": lambda *args, **options: [],
    }
    with mock.patch.multiple(measuring, **leave_out):
        yield kept


def prepared(volume: Floats) -> tuple[SquaredStack, list[MeasuredFeature]]:
    """Measure a volume up to the search for seams."""
    with _kept() as kept:
        measure_stack(SliceStack.from_array(grey16(volume), voxel_mm=(MM, MM, MM), source="bench"))
    return kept[-1]


def seams_of(volume: Floats) -> list[MeasuredFeature]:
    """Seams of a volume, with their strength."""
    return find_seams(*prepared(volume))


def hexagon(flats: float, turn_deg: float) -> Distance:
    """A hexagon, its first flat's normal at `turn_deg`."""
    normals = [(np.cos(a), np.sin(a)) for a in np.radians(turn_deg + 60.0 * np.arange(6))]

    def distance(xx: Floats, yy: Floats, zz: Floats) -> Floats:
        out = flats / 2 - (xx * normals[0][0] + yy * normals[0][1])
        for x, y in normals[1:]:
            out = np.minimum(out, flats / 2 - (xx * x + yy * y))
        return out

    return distance


def crack(rng: np.random.Generator, pose: Pose) -> Floats:
    """A crooked crack, 12 to 30 px long, 0.1 to 0.5 px wide, that wanders through depth; metal lost."""
    z, y, x = np.mgrid[: pose.shape[0], : pose.shape[1], : pose.shape[2]].astype(np.float32)
    angle, off, wander = rng.uniform(0, 2 * np.pi), rng.uniform(-18, 18), rng.uniform(-0.3, 0.3)
    along = -(x - pose.centre[0]) * np.sin(angle) + (y - pose.centre[1]) * np.cos(angle)
    across = (x - pose.centre[0]) * np.cos(angle) + (y - pose.centre[1]) * np.sin(angle) - off
    across = across - wander * (z - pose.centre[2]) - rng.uniform(1, 3) * np.sin(along / rng.uniform(4, 8))
    width, blur = rng.uniform(0.1, 0.5), 0.85
    there = np.abs(along) < rng.uniform(6, 15)
    return np.asarray(width / (blur * (2 * np.pi) ** 0.5) * np.exp(-0.5 * (across / blur) ** 2) * there)


def pores(rng: np.random.Generator, pose: Pose) -> Floats:
    """Twenty pores of 0.5 to 2 px; metal lost."""
    z, y, x = np.mgrid[: pose.shape[0], : pose.shape[1], : pose.shape[2]].astype(np.float32)
    out = np.zeros(pose.shape, np.float32)
    for _ in range(20):
        at = rng.uniform([3, -22, -22], [max(pose.shape[0] - 3, 4), 22, 22])
        far = (z - at[0]) ** 2 + (y - pose.centre[1] - at[1]) ** 2 + (x - pose.centre[0] - at[2]) ** 2
        size = rng.uniform(0.5, 2)
        out += 0.6 * np.exp(-far / (2 * (size**2 / 3 + 0.72))).astype(np.float32)
    return np.clip(out, 0, 1)


def detect(
    rng: np.random.Generator, *, slices: int, target: float, correlated: tuple[float, float] | None = None,
    change: Change | None = None, half: bool = False, flats: float = MIDDLING,
) -> Trial:  # fmt: skip
    """A square or round seam in a bar, its thickness drawn between a quarter of `target` and `target`."""
    reach = flats / 2**0.5 + 14
    pose = pose_of(slices, rng, reach=reach)
    part = disc(0, 0, reach)
    thick = target * float(np.exp(rng.uniform(np.log(1 / 4), 0)))
    turn, round_ = float(rng.uniform(0, 90)), rng.random() < 0.4
    angle = np.radians(rng.uniform(0, 360))

    def shape(by: float) -> Distance:
        side = flats + 2 * by
        return disc(0, 0, side / 2) if round_ else box(0, 0, side, side, turn)

    def open_half(xx: Floats, yy: Floats, zz: Floats) -> Floats:
        return xx * np.cos(angle) + yy * np.sin(angle) + 0 * zz

    volume = coverage(part, pose) - gap(part, pose, shape, thick, open_half if half else None)
    if change is not None:
        volume = change(volume, pose, rng)
    blur = float(rng.uniform(*correlated)) if correlated else 0.0
    grain = noise(volume.shape, NOISE, rng)
    if blur:  # in the slice plane, as reconstruction makes it
        grain = ndimage.gaussian_filter(grain, [0, blur, blur], mode="wrap")
        grain *= np.float32(NOISE / grain.std())
    found = seams_of(volume + grain)
    wanted = "round_seam" if round_ else "square_seam"
    right = [d for d in found if _is_there(d, pose, flats)]
    return Trial(values={
        "thick": thick, "found": float(bool(right)), "named": float(any(d.feature.kind == wanted for d in right)),
        "false": float(len(found) - len(right)),
    })  # fmt: skip


def _is_there(draft: MeasuredFeature, pose: Pose, flats: float) -> bool:
    """Tell whether a seam is the one about the part's axis, whatever its name."""
    f = draft.feature
    size = f.diameter_mm or f.flats_mm or (f.flats_pair_mm[0] if f.flats_pair_mm else None)
    if size is None or f.x_mm is None or f.y_mm is None:
        return False
    off = np.hypot(f.x_mm.value / MM - pose.centre[0], f.y_mm.value / MM - pose.centre[1])
    return bool(off < 4 and abs(size.value / MM - flats) < 5)


def thickness_95(thick: Sequence[float], found: Sequence[float]) -> float:
    """Thickness found in 95 of 100 cases: likeliest under a chance that is normal in the thickness."""
    t, hit = np.asarray(thick), np.asarray(found) > 0.5

    def misfit(half: float) -> float:
        z = _STEEP * (t / np.exp(half) - 1)
        # one in fifty may be found or missed for another reason
        chance = np.logaddexp(np.log(0.98) + log_ndtr(np.where(hit, z, -z)), np.log(0.01))
        return -float(chance.sum())

    best = minimize_scalar(misfit, bounds=(np.log(t.min() / 3), np.log(t.max() * 3)), method="bounded")
    return float(np.exp(best.x)) * (1 + 1.645 / _STEEP)


def limit(flats: float, slices: int) -> float:
    """Thickness that a filter which knows all but the place finds in 95 of 100 cases in white noise, px."""
    across = 1 / (2 * np.pi**0.5 * np.hypot(_PSF, 12**-0.5))  # sum of the squares of the dip's profile, t = 1
    length = 0.5 * (4 + np.pi) * flats  # square and circle are drawn about as often
    return float(_CERTAIN * NOISE / np.sqrt(across * length * slices))


def judge_detect(trials: Sequence[Trial], *, target: float, least: float) -> list[Figure]:
    """Thickness found in 95 of 100 cases."""
    trouble, trials = found_figure(trials), [t for t in trials if t.values]
    if not trials:
        return trouble
    thick, found = [t.values["thick"] for t in trials], [t.values["found"] for t in trials]
    value = thickness_95(thick, found)
    slack = 1 + 0.7 / len(trials) ** 0.5
    met = True if value <= target else None if value <= target * slack else False
    others = sum(t.values["false"] for t in trials)
    named = sum(t.values["named"] for t in trials)
    return [
        Figure(f"95 % found at {value:.4f} px", f"<= {target:.4f} px", met),
        Figure(f"{value / least:.2f} x the limit of a filter that knows all but the place"),
        Figure(f"found {sum(found):.0f} of {len(trials)} from {min(thick):.3f} px up, {named:.0f} by the right name, "
               f"{others:.0f} others"),
        *trouble,
    ]  # fmt: skip


CONTROLS = ("white", "correlated", "rings 0.5 %", "rings 2 %", "cupping", "streaks", "cracks", "pores", "all")


def disturbed(volume: Floats, metal: Floats, pose: Pose, what: str, rng: np.random.Generator) -> Floats:
    """Add one of the disturbances, or all of them, and noise."""
    every = what == "all"
    if every or what == "cracks":
        for _ in range(3):
            volume = volume - crack(rng, pose) * metal
    if every or what == "pores":
        volume = volume - pores(rng, pose) * metal
    if every or what == "cupping":
        volume = cupping(REACH, 0.2)(volume, pose, rng)
    if every or what.startswith("rings"):
        volume = rings(0.02 if what == "rings 2 %" else 0.005)(volume, pose, rng)
    if every or what == "streaks":
        volume = streaks(0.01)(volume, pose, rng)
    blur = float(rng.uniform(0.7, 1.2)) if every or what == "correlated" else 0.0
    return np.asarray(volume + noise(volume.shape, NOISE, rng, blur))


def control(rng: np.random.Generator, *, number: int | None = None) -> Trial:
    """Solid metal, in turn: bar, ring, square block; with one of the disturbances, or all of them."""
    what = CONTROLS[int(rng.integers(len(CONTROLS))) if number is None else number]
    pose = pose_of(30, rng, 2.0)
    shape = int(rng.integers(3))
    turn = float(rng.uniform(0, 90))
    long = between(disc(0, 0, REACH), -10, 10) if rng.random() < 0.5 else disc(0, 0, REACH)
    part = (long, cut(long, disc(0, 0, 7)), both(long, box(0, 0, 50, 50, turn)))[shape]
    volume = coverage(part, pose)
    metal = volume.copy()
    found = seams_of(disturbed(volume, metal, pose, what, rng))
    p = min((d.seam.p_false for d in found if d.seam is not None), default=1.0)
    return Trial(values={"alarm": float(bool(found)), f"alarm {what}": float(bool(found)), "p": p})


def judge_control(trials: Sequence[Trial]) -> list[Figure]:
    """Share of controls in which a seam is claimed, and under which disturbance."""
    trouble, trials = found_figure(trials), [t for t in trials if t.values]
    alarms = int(sum(t.values["alarm"] for t in trials))
    n = len(trials)
    under = {k[6:]: sum(t.values.get(k, 0) for t in trials) for t in trials for k in t.values if k.startswith("alarm ")}
    words = ", ".join(f"{k} {v:.0f}" for k, v in sorted(under.items()) if v) or "none"
    met = True if alarms <= 0.03 * n else None if alarms <= 0.03 * n + 2 * (0.03 * n) ** 0.5 else False
    return [Figure(f"{alarms} of {n} solid parts show a seam ({words})", "<= 3 %", met), *trouble]


_KINDS = ("square_seam", "round_seam", "off axis", "rectangle", "conical", "parallel", "small")


def sizes(rng: np.random.Generator, *, kinds: Sequence[str]) -> Trial:
    """A seam of 0.05 to 0.3 px in a part of 24 px depth, leaning by up to 2 degrees."""
    kind = kinds[int(rng.integers(len(kinds)))]
    pose = pose_of(36, rng, 2.0)
    low, high = -12.0 + float(rng.uniform(-0.5, 0.5)), 12.0 + float(rng.uniform(-0.5, 0.5))
    thick = float(np.exp(rng.uniform(np.log(0.05), np.log(0.3))))
    size, turn = FLATS + float(rng.uniform(-2, 2)), float(rng.uniform(5, 85))
    away = 7.0 if kind == "off axis" else 0.0
    outside: Distance = disc(0, 0, REACH)
    ends = (low, high)
    if kind in ("square_seam", "round_seam") and rng.random() < 0.5:
        ends = (-5.0 + float(rng.uniform(-0.5, 0.5)), high)
    if kind == "parallel":
        outside = hexagon(52.0, turn)
    part = between(outside, low, high)
    small = 7.0 + float(rng.uniform(0, 2))

    def shape(by: float) -> Distance:
        if kind in ("round_seam", "off axis"):
            return between(disc(away, away / 2, size / 2 + by), *ends)
        if kind == "rectangle":
            return between(box(0, 0, 1.5 * size + 2 * by, 0.8 * size + 2 * by, turn), *ends)
        if kind == "conical":
            return between(disc(0, 0, size / 2 + by, 0.06), *ends)
        if kind == "parallel":
            return lambda xx, yy, zz: np.minimum(outside(xx, yy, zz) - 9 + by, np.minimum(zz - low, high - zz))
        if kind == "small":
            return between(disc(0, 0, small / 2 + by), *ends)
        return between(box(0, 0, size + 2 * by, size + 2 * by, turn), *ends)

    volume = coverage(part, pose) - gap(part, pose, shape, thick, None)
    found = seams_of(volume + noise(volume.shape, NOISE, rng))
    wanted = {"off axis": "round_seam", "conical": "round_seam", "small": "round_seam", "rectangle": "free_seam",
              "parallel": "free_seam"}.get(kind, kind)  # fmt: skip
    right = [d for d in found if d.feature.kind == wanted]
    if not right:
        return Trial(missing=(kind,), renamed=tuple(f"{kind} as {d.feature.kind}" for d in found))
    f = right[0].feature
    assert f.seam_mm is not None
    samples = [_sample("thickness", f.seam_mm, thick, thick)]
    if kind in ("square_seam", "round_seam", "off axis"):
        measured = f.diameter_mm or f.flats_mm
        assert measured is not None
        samples.append(_sample("size", measured, size))
        a, b = (pose.to_stack(away, away / 2, e)[2] for e in ends)
        for got, want in ((f.depth_from_mm, a), (f.depth_to_mm, b)):
            if got is not None:
                samples.append(_sample("end", got, want))
    if kind == "conical":
        samples += [] if f.taper_mm_per_mm is None else [
            Sample("taper", f.taper_mm_per_mm.value - 0.12, f.taper_mm_per_mm.u)
        ]  # fmt: skip
    return Trial(tuple(samples), renamed=("another seam",) * (len(found) - 1))


def _sample(name: str, measured: object, truth: float, scale: float | None = None) -> Sample:
    value, u = measured.value, measured.u  # type: ignore[attr-defined]
    return Sample(name, value / MM - truth, None if u is None else u / MM, scale)


def judge_sizes(trials: Sequence[Trial]) -> list[Figure]:
    """Errors of thickness, size and ends, whether their u is honest, and what was not found."""
    out: list[Figure] = []
    thick = samples_of(trials, "thickness")
    if thick:
        share = [Sample("thickness", s.error / s.limit) for s in thick if s.limit]
        out += [rms_figure(thick, 0.02, "px", "thickness RMS"), rms_figure(share, 0.15, "of itself", "thickness RMS")]
        out += honest_figure([Sample("thickness", s.error, s.u) for s in thick])
    size, end, taper = (samples_of(trials, name) for name in ("size", "end", "taper"))
    if size:
        out += [bias_figure(size, 0.02), rms_figure(size, 0.08, "px", "size RMS"), *honest_figure(size)]
    if end:
        out += [rms_figure(end, 0.5, "slice", "ends RMS"), *honest_figure(end)]
    if taper:
        out += [rms_figure(taper, 0.01, "", "taper RMS")]
    return [*out, *found_figure(trials)]


def timed(rng: np.random.Generator) -> Trial:
    """Processor time of the search in 512 x 512 slices: a disc of radius 200 with a square seam of 80 px."""
    flat = Pose((1, _SIDE, _SIDE), (255.3, 256.2, 0.0))
    part = cut(disc(0, 0, _TIMED), disc(0, 0, 20))
    plane = coverage(part, flat, fine=2) - gap(
        part, flat, lambda by: box(0, 0, 80 + 2 * by, 80 + 2 * by, 28.0), 0.1, None
    )
    volume = np.repeat(plane, _SLICES, axis=0)
    volume += noise(volume.shape, NOISE, rng)
    squared, drafts = prepared(volume)
    start = time.process_time()
    found = find_seams(squared, drafts)
    return Trial(values={"seconds": (time.process_time() - start) / _SLICES * 100, "found": float(len(found))})


def judge_timed(trials: Sequence[Trial]) -> list[Figure]:
    """Seconds of one core per 100 slices."""
    v = trials[0].values
    if not v:
        return found_figure(trials)
    return [Figure(f"{v['seconds']:.1f} s of one core per 100 slices, {v['found']:.0f} seam found", "<= 15 s, 1 found",
                   v["seconds"] <= 15 and v["found"] == 1)]  # fmt: skip


def _row(
    name: str, what: str, slices: int, target: float | None = None, trials: int = 12, *, flats: float = MIDDLING,
    **options: object,
) -> Row:  # fmt: skip
    least = limit(flats, slices)
    target = 2 * least if target is None else target
    run = partial(detect, target=1.3 * target, slices=slices, flats=flats, **options)  # type: ignore[arg-type]
    return Row(name, SECTION, what, trials, run, partial(judge_detect, target=target, least=least))


ROWS = (
    _row("seam-1", "thinnest seam of 32 px, 1 slice", 1, 0.096),
    _row("seam-10", "thinnest seam of 32 px, 10 slices", 10, 0.03),
    _row("seam-50", "thinnest seam of 32 px, 50 slices", 50, 0.02),
    _row("seam-small-10", "thinnest seam of 24 px, 10 slices", 10, flats=FLATS),
    _row("seam-small-50", "thinnest seam of 24 px, 50 slices", 50, flats=FLATS),
    _row("seam-large-10", "thinnest seam of 120 px, 10 slices", 10, trials=8, flats=LARGE),
    _row("seam-correlated", "50 slices, noise correlated by 0.7 to 1.2 px", 50, 0.024, correlated=(0.7, 1.2)),
    _row("seam-rings", "50 slices, rings of 0.5 %", 50, 0.144, change=rings(0.005)),
    _row("seam-rings-2", "50 slices, rings of 2 %", 50, 0.58, change=rings(0.02)),
    _row("seam-half", "50 slices, half of the perimeter closed", 50, 0.028, half=True),
    Row("seam-false", SECTION, "solid parts with every disturbance", 54, control, judge_control),
    Row("seam-sizes", SECTION, "square and round seams of 0.05 to 0.3 px", 24,
        partial(sizes, kinds=_KINDS[:2]), judge_sizes),
    Row("seam-kinds", SECTION, "off axis, rectangle, cone, parallel of the outside, 7-9 px", 20,
        partial(sizes, kinds=_KINDS[2:]), judge_sizes),
    Row("seam-time", SECTION, f"time of the search in {_SLICES} slices of 512²", 1, timed, judge_timed, alone=True),
)  # fmt: skip
