"""What the makers of all kinds of part share: how much room there is, drawing numbers, and wear put on at the end."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from worn import wear
from worn.render import Layer
from worn.shapes import Distance, Floats, both, cut, union


@dataclass(frozen=True, kw_only=True)
class Room:
    """Room for a part (px): radius and height; `worn` is how likely each rim is eaten, 0 for sound parts.

    `later` draws what came to the family last, so that the parts of a seed stayed what they were.
    """

    radius: float
    height: float
    worn: float
    later: np.random.Generator

    @property
    def fine(self) -> float:
        """How much larger than in a stack of 160 px holes and walls may be."""
        return max(1.0, self.radius / 66.0)


@dataclass(frozen=True, kw_only=True)
class Rim:
    """A stretch of outside where pits and crust may sit: radius and depths."""

    radius: float
    low: float
    high: float


def gap(rng: np.random.Generator) -> float:
    """Air between two pieces, 0.02 to 0.3 px."""
    return float(np.exp(rng.uniform(np.log(0.02), np.log(0.3))))


def parts_of(rng: np.random.Generator, length: float, least: Sequence[float]) -> list[float]:
    """Cut a length at random into stretches of at least these shares of it."""
    free = 1 - sum(least)
    share = rng.dirichlet(np.full(len(least), 2.0)) * free
    return [float(length * (a + b)) for a, b in zip(least, share, strict=True)]


def on_rims(rng: np.random.Generator, rims: Sequence[Rim], count: int) -> Floats:
    """Random places (x, y, z) on rims, the taller ones more often."""
    weight = np.array([r.high - r.low for r in rims])
    out = []
    for i in rng.choice(len(rims), count, p=weight / weight.sum()):
        angle, z = rng.uniform(0, 2 * np.pi), rng.uniform(rims[i].low, rims[i].high)
        out.append((rims[i].radius * np.cos(angle), rims[i].radius * np.sin(angle), z))
    return np.array(out).reshape(-1, 3)


def dress(
    rng: np.random.Generator, room: Room, bodies: Sequence[Distance], full: Distance, places: Floats
) -> list[Layer]:
    """Pits and crust on bodies of metal; `full` is all of them without gaps, `places` where damage may sit."""
    layers: list[Layer] = []
    some = rng.random(3)
    count, lumps = int(rng.integers(2, 9)), int(rng.integers(2, 7))
    grey = float(rng.uniform(*wear.PRODUCT))
    eaten = [wear.pits(rng, places[:count])] if some[0] < 0.6 * room.worn else []
    layers += [(cut(body, *eaten), 1.0) for body in bodies]
    if some[1] < 0.4 * room.worn:
        layers.append((wear.crust(rng, places[count : count + lumps], full), grey))
    elif eaten and some[2] < 0.3:
        # what the pits have eaten is still there, as product; as full less what is left it would skin every face
        layers.append((both(full, union(*eaten)), grey))
    return layers


def insert(room: Room, filling: Distance, chance: float) -> list[Layer]:
    """A rod of another material that fills a hole, lighter or heavier than the metal; or nothing."""
    draws = room.later.random(3)
    if draws[0] > chance * room.worn:
        return []
    grey = 0.4 + 0.4 * draws[1] if draws[2] < 0.6 else 1.25 + 0.35 * draws[1]
    return [(filling, float(grey))]


def filled(rng: np.random.Generator, outer: Distance, inner: Distance) -> tuple[list[Layer], float]:
    """Something in the gap between two shapes, or nothing: its layers, and the share of the gap that is still air."""
    grey = float(rng.uniform(0.15, 0.5))
    if rng.random() > 0.2:
        return [], 1.0
    return [(outer, grey), (inner, -grey)], 1 - grey
