"""Honest uncertainty: how often the truth lies within value ± 2u, disturbance by disturbance.

The part is a disc with a round bore through it and a square hole half way (single slice: through), of random
sizes and place; voxels are not cubes. Rings, streaks and cupping are the same in all slices.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import disturb
import numpy as np
from render import Distance, Pose, between, box, coverage, cut, disc, noise
from route import True_, compare, measure
from row import Figure, Row, Trial, flags_figure, found_figure, honest_figure, samples_of

SECTION = "Honest uncertainty"
NOISE = 0.05


@dataclass(frozen=True)
class Case:
    """One disturbance: what is done to the grey, the noise's correlation, the tilt, whether rims are pitted.

    `edge_too` judges u joined with what the record states apart for an unknown grey scale.
    """

    what: str
    change: disturb.Change | None = None
    correlation: float = 0.0
    tilt: tuple[float, float] = (0.0, 1.5)
    rim: bool = False
    stack_only: bool = False
    edge_too: bool = False


CASES = {
    "white": Case("white noise"),
    "cupping": Case("cupping 30 %", disturb.cupping(34.0)),
    "corr07": Case("noise correlated over 0.7 px", correlation=0.7),
    "corr12": Case("noise correlated over 1.2 px", correlation=1.2),
    "rings1": Case("rings 1 % of contrast", disturb.rings(0.01)),
    "rings2": Case("rings 2 % of contrast", disturb.rings(0.02)),
    "streaks": Case("streaks 3 % of contrast", disturb.streaks(0.03)),
    "tilt3": Case("tilt 3 degrees", tilt=(3.0, 3.0), stack_only=True),
    "ramp": Case("ramp of 20 % through depth", disturb.ramp(0.2), stack_only=True),
    "rim": Case("corroded rims, bare or filled with product", rim=True),
    "level": Case("curved grey scale, power 1 ± 0.03, u with the edge's part", disturb.curved_grey(0.03), edge_too=True),
}


def _part(rng: np.random.Generator, case: Case, single: bool) -> tuple[Distance, Distance, list[True_], float]:
    """The part as it is, the sound part, its true features, and its length (px)."""
    length = float(rng.uniform(22, 30))
    low, high = -length / 2, length / 2
    outer, bore, side = (float(v + rng.uniform(-1, 1)) for v in (34, 9, 14))
    turn, facing = (float(v) for v in rng.uniform(0, 360, 2))
    c, s = np.cos(np.radians(facing)), np.sin(np.radians(facing))
    hx, hy, qx, qy = -15 * c, -15 * s, 14 * c, 14 * s
    floor = float(rng.uniform(-2, 4))
    truths = [
        True_("round_outside", 0.0, 0.0, low, high, (2 * outer,)),
        True_("round_hole", hx, hy, low, high, (2 * bore,)),
        True_("square_hole", qx, qy, low, floor, (side, side)),
    ]
    square = box(qx, qy, side, side, turn, float(rng.uniform(0.5, 2)))
    if not single:
        square = between(square, low - 50, floor)

    def build(outside: Distance, hole: Distance) -> Distance:
        body = cut(outside, hole, square)
        return body if single else between(body, low, high)

    sound = build(disc(0, 0, outer), disc(hx, hy, bore))
    if not case.rim:
        return sound, sound, truths, length
    marks = [disturb.pits(rng, length, single=single) for _ in range(2)]
    eaten = build(disturb.pitted(0, 0, outer, marks[0], hole=False), disturb.pitted(hx, hy, bore, marks[1], hole=True))
    return eaten, sound, truths, length


def covered(rng: np.random.Generator, *, name: str, single: bool) -> Trial:
    """Render, disturb, measure, compare."""
    case = CASES[name]
    part, sound, truths, length = _part(rng, case, single)
    voxel = (float(rng.uniform(1.2, 1.5)), float(rng.uniform(1.02, 1.12)), 1.0)
    x, y, z = rng.uniform(-0.5, 0.5, 3)
    slices = 1 if single else int(np.ceil(length / voxel[0])) + 10
    rows = int(np.ceil(90 / voxel[1]))
    tilt = 0.0 if single else float(rng.uniform(*case.tilt))
    centre = (44.5 + float(x), (rows - 1) / 2 * voxel[1] + float(y), (slices - 1) / 2 * voxel[0] + float(z))
    pose = Pose((slices, rows, 90), centre, voxel, tilt, float(rng.uniform(0, 360)))
    volume = coverage(part, pose)
    if case.rim and rng.random() < 0.5:  # what was eaten is still there, as product of a third of the metal's grey
        volume = volume + 0.35 * (coverage(sound, pose) - volume)
    if case.change is not None:
        volume = case.change(volume, pose, rng)
    volume = volume + noise(volume.shape, NOISE, rng, case.correlation)
    return compare(measure(volume, voxel), truths, pose, edge_too=case.edge_too)


def judge(trials: Sequence[Trial]) -> list[Figure]:
    """Coverage of sizes, places, ends and axis, and which flags were raised."""
    out: list[Figure] = []
    for quantity in ("size", "place", "end", "axis"):
        chosen = samples_of(trials, quantity)
        if chosen:
            out += honest_figure(chosen)
    return [*out, *flags_figure(trials), *found_figure(trials)]


ROWS = (
    *(
        Row(f"slice-{name}", SECTION, f"{case.what}, one slice", 60, partial(covered, name=name, single=True), judge)
        for name, case in CASES.items()
        if not case.stack_only
    ),
    *(
        Row(f"stack-{name}", SECTION, f"{case.what}, 26 to 36 slices", 12,
            partial(covered, name=name, single=False), judge)
        for name, case in CASES.items()
    ),
)  # fmt: skip
