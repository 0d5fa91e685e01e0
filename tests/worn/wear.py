"""What time does to a part: eaten rims and edges, pits, notches, lost corners, crust."""

from collections.abc import Sequence

import numpy as np
from worn.shapes import Bite, Distance, Floats, Loss, balls, cut, half_space, loss_of, rough

PRODUCT = (0.3, 0.5)
"""Grey of corrosion product as a share of the metal's."""


def bites(
    rng: np.random.Generator, turn: float, length: float, z: float, share: float, deepest: float = 4.0
) -> list[Bite]:
    """Bites over `share` of an edge that is `turn` long (degrees or px) and `length` deep about `z`."""
    left, out, deepest = share * turn, [], max(deepest, 0.5)
    while left > 0.03 * turn:
        wide = min(left, float(rng.uniform(0.05, 0.13)) * turn)
        left -= wide
        through = rng.random() < 0.6
        out.append(Bite(
            at=float(rng.uniform(-0.5, 0.5)) * turn, half=wide / 2, deep=float(rng.uniform(min(2.0, deepest), deepest)),
            z=z + (0.0 if through else float(rng.uniform(-0.4, 0.4)) * length),
            half_z=np.inf if through else float(rng.uniform(0.3, 0.7)) * length,
            form=str(rng.choice(["smooth", "round", "round", "notch"])),
            lean=float(rng.uniform(-1, 1)) / length if through and rng.random() < 0.5 else 0.0,
        ))  # fmt: skip
    return out


def eaten_rim(rng: np.random.Generator, low: float, high: float, chance: float, deepest: float = 4.0) -> Loss | None:
    """Wear of a round rim over 10 to 25 % of its turn, or none."""
    share = float(rng.uniform(0.10, 0.25))
    some = bites(rng, 360.0, high - low, (low + high) / 2, share, deepest)
    return loss_of(some) if rng.random() < chance else None


def eaten_side(
    rng: np.random.Generator,
    side: float,
    low: float,
    high: float,
    chance: float,
    keep: Sequence[tuple[float, float]] = (),
) -> Loss | None:
    """Wear of a straight side, or none; `keep` are stretches (from, to) that must stay sound."""
    some = [
        b
        for b in bites(rng, side, high - low, (low + high) / 2, float(rng.uniform(0.10, 0.25)))
        if all(b.at + b.half < a - 4 or b.at - b.half > e + 4 for a, e in keep)
    ]
    return loss_of(some, None) if rng.random() < chance else None


def pits(rng: np.random.Generator, places: Floats) -> Distance:
    """Small round pits, 1.5 to 4 px of radius, at places (x, y, z) of the surface."""
    radius = rng.uniform(1.5, 4.0, (len(places), 1))
    return balls(np.hstack([places + rng.normal(0, 0.5, places.shape), radius]))


def crust(rng: np.random.Generator, places: Floats, metal: Distance) -> Distance:
    """Lumps of product at places (x, y, z) of the surface, standing 1 to 4 px proud of the metal."""
    radius = rng.uniform(4.0, 10.0, len(places))
    lumps = rough(balls(np.hstack([places, radius[:, None]])), rng, 0.5, 6.0)
    # no crust thicker than 4 px: it clings to the metal
    near: Distance = lambda x, y, z: metal(x, y, z) + 4.0  # noqa: E731
    return cut(lambda x, y, z: np.minimum(lumps(x, y, z), near(x, y, z)), metal)


def lost_corner(rng: np.random.Generator, x: float, y: float, turn_deg: float, low: float, high: float) -> Distance:
    """What a broken corner at (x, y) takes away: 6 to 16 px along the diagonal, leaning and rough."""
    away = np.degrees(np.arctan2(y, x)) + float(rng.uniform(-18, 18))
    n = [np.cos(np.radians(away)), np.sin(np.radians(away)), float(rng.uniform(-0.3, 0.3))]
    far = n[0] * x + n[1] * y - float(rng.uniform(6, 14))
    size = float(np.linalg.norm(n))
    middle = n[2] * (low + high) / 2
    return rough(half_space([-v for v in n], -(far + middle) / size), rng, 0.7, 9.0)
