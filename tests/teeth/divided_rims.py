"""Rims divided by hand in four ways, for the tests of counts: each with its own errors, a lost part and a badly known centre.

The makers here share no formula with the likelihood: each steps, halves or cuts as a hand would, tooth by tooth.
"""

from dataclasses import dataclass

import numpy as np

from ctrecon.core.measured import Measured
from ctrecon.teeth.rim import Centre

WAYS = ("plate", "dividers", "parts", "halves")


@dataclass(frozen=True)
class DividedRim:
    """What a measurer would have, and the truth."""

    runs: list[list[Measured]]
    centre: Centre
    radius: float
    teeth: int
    way: str


def _stepped(teeth: int, rng: np.random.Generator, step_sd: float, over: float) -> np.ndarray:
    """Return marks (pitches) stepped from 0 with dividers: each step off a little, the last takes what is left over."""
    steps = (1 - over / teeth) + step_sd * rng.standard_normal(teeth)
    marks = np.concatenate([[0.0], np.cumsum(steps)[:-1]])
    # the maker has tried settings until the last mark came within `over` of closing
    return marks - (marks[-1] + steps[-1] - (teeth - over)) * np.arange(teeth) / teeth


def divided_marks(teeth: int, way: str, rng: np.random.Generator, *, rough: bool = False) -> np.ndarray:
    """Return the angles (radians) of all teeth as this maker divided them.

    A rough hand leaves up to half a pitch at the closing, cuts some teeth far off, and centres its plate badly: more than
    the count's own errors are laid out for.
    """
    pitch = 2 * np.pi / teeth
    if way == "plate":
        marks = np.arange(teeth, dtype=float)
    elif way == "dividers":
        marks = _stepped(teeth, rng, rng.uniform(0.003, 0.03), rng.uniform(-0.5, 0.5) if rough else rng.uniform(-0.3, 0.3))
    elif way == "parts":
        parts = int(rng.choice([k for k in (2, 3, 4, 6) if teeth % k == 0] or [1]))
        each = teeth // parts
        corners = np.arange(parts + 1) * each + rng.normal(0, rng.uniform(0.02, 0.15), parts + 1)
        corners[-1] = corners[0] + teeth
        marks = np.concatenate(
            [
                corners[i] + _stepped(each, rng, rng.uniform(0.003, 0.02), 0.0) * (corners[i + 1] - corners[i]) / each
                for i in range(parts)
            ]
        )
    else:
        # every second (or third) mark is stepped, those between are set by eye, always a little to one side
        by = next((k for k in (2, 3) if teeth % k == 0), 1)
        coarse = _stepped(teeth // by, rng, rng.uniform(0.003, 0.02), rng.uniform(-0.1, 0.1))
        side = rng.normal(0, 0.05)
        marks = np.concatenate([by * one + np.arange(by) + side * (np.arange(by) > 0) for one in coarse])
    own = rng.standard_t(3, teeth) if rough else rng.normal(0, 1, teeth)
    marks = marks + rng.uniform(0.003, 0.03) * own
    marks = np.roll(marks, int(rng.integers(teeth))) * pitch
    off, where = rng.uniform(0, 0.01 if rough else 0.004), rng.uniform(0, 2 * np.pi)
    return np.asarray(marks + off * np.sin(marks - where) + rng.uniform(0, 2 * np.pi))


def broken_rim(
    rng: np.random.Generator, *, least: int = 24, most: int = 150, way: str | None = None, rough: bool = False
) -> DividedRim:
    """Return a broken wheel, as it would be measured: one or two stretches, centre off by its stated u."""
    teeth = int(rng.integers(least, most + 1))
    way = str(rng.choice(WAYS)) if way is None else way
    true = np.sort(divided_marks(teeth, way, rng, rough=rough) % (2 * np.pi))
    radius, u_centre = teeth * 0.3, float(10 ** rng.uniform(-2.3, -1.0))
    start, seen = int(rng.integers(teeth)), max(4, int(teeth * rng.uniform(0.1, 0.7)))
    kept = [(start + k) % teeth for k in range(seen)]
    dx, dy = rng.normal(0, u_centre, 2)
    x, y = radius * np.cos(true) - dx, radius * np.sin(true) - dy
    u = float(np.degrees(2 * np.pi / teeth)) * rng.uniform(0.003, 0.02)
    angles = np.degrees(np.arctan2(y, x)) + rng.normal(0, u, teeth)
    runs = [[Measured(float(angles[k]), u) for k in kept]]
    if seen > 12 and rng.random() < 0.4:
        cut, lost = int(rng.integers(4, seen - 6)), int(rng.integers(1, 4))
        runs = [runs[0][:cut], runs[0][cut + lost :]]
    return DividedRim(runs, Centre(u_centre, u_centre), radius, teeth, way)
