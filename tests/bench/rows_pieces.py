"""One piece or two: are the stated probabilities right? Parts drawn as often in two pieces as the priors say.

A bar, a hub or a block, in one piece or with an inner piece whose gap is spread evenly over the decades from 0.002 to
0.3 px (the spread that the package assumes), under every disturbance in turn.
"""

from collections.abc import Sequence
from itertools import pairwise
from unittest import mock

import numpy as np
from render import Distance, Floats, between, box, coverage, cut, disc, grey16
from route import MM
from row import Figure, Row, Trial, found_figure
from rows_seams import CONTROLS, REACH, SECTION, disturbed, gap, pose_of

from ctrecon import SliceStack, measure_stack, measuring
from ctrecon.record.priors import PRIORS

_BINS = (0.0, 0.15, 0.4, 0.8, 0.96, 1.0)
_LOW, _HIGH = -11.0, 11.0


def _joined(*parts: Distance) -> Distance:
    def distance(xx: Floats, yy: Floats, zz: Floats) -> Floats:
        out = parts[0](xx, yy, zz)
        for part in parts[1:]:
            out = np.maximum(out, part(xx, yy, zz))
        return out

    return distance


def verdict(rng: np.random.Generator) -> Trial:
    """Stated probability of more than one piece, and whether there is more than one."""
    two = rng.random() < 1 - PRIORS["one_piece"]
    what = CONTROLS[int(rng.integers(len(CONTROLS)))]
    pose = pose_of(30, rng, 2.0)
    size, turn = float(rng.uniform(18, 30)), float(rng.uniform(0, 90))
    round_, boss = rng.random() < 0.4, rng.random() < 0.5
    thick = float(np.exp(rng.uniform(np.log(0.002), np.log(0.3))))

    def shape(by: float) -> Distance:
        side = size + 2 * by
        return disc(0, 0, side / 2) if round_ else box(0, 0, side, side, turn)

    part: Distance = between(disc(0, 0, REACH), _LOW, _HIGH if not boss else 3.0)
    if boss:  # the inner piece stands out beyond the outer one
        part = _joined(part, between(shape(0.0), 2.0, _HIGH))
    if rng.random() < 0.5:
        part = cut(part, disc(0, 0, 5.5))
    volume = coverage(part, pose)
    metal = volume.copy()
    if two:
        volume = volume - gap(part, pose, shape, thick, between(disc(0, 0, 99), _LOW, _HIGH if not boss else 3.0))
    volume = disturbed(volume, metal, pose, what, rng)
    leave_out = {
        "with_form_and_relations": lambda part, *args, **options: part,
        "make_pictures": lambda *args, **options: (),
    }
    with mock.patch.multiple(measuring, **leave_out):
        found = measure_stack(SliceStack.from_array(grey16(volume), voxel_mm=(MM, MM, MM), source="bench")).part
    p = found.pieces[0].probability_separate
    if p is None:
        return Trial(missing=("probability",))
    return Trial(values={"p": p, "two": float(two), "thick": thick, f"what {what}": 1.0})


def judge(trials: Sequence[Trial]) -> list[Figure]:
    """Share of parts in several pieces among those given a probability, bin by bin."""
    out, known = [], [t.values for t in trials if t.values]
    if not known:
        return found_figure(trials)
    p, two = np.array([v["p"] for v in known]), np.array([v["two"] for v in known]) > 0.5
    for low, high in pairwise(_BINS):
        inside = (p >= low) & ((p < high) | (high == 1.0))
        n, right = int(inside.sum()), int((inside & two).sum())
        if not n:
            continue
        stated = p[inside]
        expected, sd = float(stated.sum()), float(np.sqrt((stated * (1 - stated)).sum()))
        # a count of few: within two deviations and one more
        met = abs(right - expected) <= 2 * sd + 1
        out.append(Figure(
            f"stated {low:.0%} to {high:.0%}: {right} of {n} in several pieces, {expected:.1f} expected",
            f"{expected:.1f} ± {2 * sd + 1:.1f}", met,
        ))  # fmt: skip
    score = float(np.mean((p - two) ** 2))
    base = float(np.mean((1 - PRIORS["one_piece"] - two) ** 2))
    out.append(Figure(f"mean squared error of the probability {score:.3f}, of the prior alone {base:.3f}"))
    return [*out, *found_figure(trials)]


ROWS = (Row("reliability", SECTION, "stated probability of several pieces against the truth", 120, verdict, judge),)
