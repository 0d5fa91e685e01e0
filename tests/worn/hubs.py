"""Hubs: stepped rounds with a bore or a square hole, in one piece or with a disc on a square or round boss."""

from dataclasses import replace

import numpy as np
from worn.common import Rim, Room, dress, filled, gap, insert, on_rims, parts_of
from worn.render import Layer
from worn.shapes import Distance, between, both, box, cut, disc, hole, rough, union, wedge
from worn.truth import Made, True_, TruePiece
from worn.wear import eaten_rim


def _relief(rng: np.random.Generator, rim: float, inside: float) -> tuple[float, float, float, float, float]:
    """A relief into a rim: x, y, radius, its own arc and what it takes from the rim (degrees)."""
    radius = float(rng.uniform(0.25, 0.6)) * rim
    deep = float(rng.uniform(5.0, min(0.3 * rim, rim - inside - 6.0)))
    far = rim - deep + radius
    towards = float(rng.uniform(0, 360))
    of_rim = 2 * np.degrees(np.arccos((far**2 + rim**2 - radius**2) / (2 * far * rim)))
    own = 2 * np.degrees(np.arccos((far**2 + radius**2 - rim**2) / (2 * far * radius)))
    return far * np.cos(np.radians(towards)), far * np.sin(np.radians(towards)), radius, float(own), float(of_rim)


def _centre_hole(rng: np.random.Generator, room: Room, low: float, high: float, wall: float) -> tuple[Distance, True_]:
    """A bore (now and then tapered) or a square hole through everything; `wall` is the radius it must stay within."""
    if rng.random() < 0.65:
        widest = max(2.6, min(wall, 11 * room.fine))
        radius = float(rng.uniform(min(3.5, widest), widest))
        taper = float(rng.choice([-1, 1])) / 48 if rng.random() < 0.25 else 0.0
        if radius - abs(taper) * (high - low) / 4 < 2.5:
            taper = 0.0
        loss = eaten_rim(rng, low, high, 0.25 * room.worn, max(2.0, min(3.0, wall - radius + 2.1)))
        mid = (low + high) / 2
        one = True_(kind="round_hole", low=low, high=high, diameter=2 * radius, taper=taper, worn=loss is not None)
        return hole(0, 0, radius, growth=taper / 2, mid=mid, loss=loss), one
    flats = float(rng.uniform(8.0, max(9.0, min(1.35 * wall, 22 * room.fine))))
    turn = float(rng.uniform(0, 90))
    square = box(0, 0, flats, flats, turn, float(rng.uniform(0, 1)))
    return square, True_(kind="square_hole", low=low, high=high, pair=(flats, flats), turn=turn)


def _outside(low: float, high: float, radius: float, worn: bool, arc: float = 360.0) -> True_:
    return True_(kind="round_outside", low=low, high=high, diameter=2 * radius, taper=0.0, worn=worn, arc=arc)


def _pin_holes(
    rng: np.random.Generator, room: Room, inner: float, outer: float, low: float, high: float
) -> tuple[list[Distance], list[True_], list[Layer]]:
    """Up to four round holes through a flange, between two radii; some hold a rod of another material."""
    wide = outer - inner
    if wide < 16 or rng.random() < 0.4:
        return [], [], []
    count, radius = int(rng.integers(1, 5)), float(rng.uniform(2.6, min(6.0 * room.fine, wide / 2 - 5)))
    first, far = float(rng.uniform(0, 360)), (inner + outer) / 2
    cuts, truths, rods = [], [], []
    for i in range(count):
        angle = np.radians(first + i * 360 / count + float(rng.uniform(-12, 12)))
        x, y = float(far * np.cos(angle)), float(far * np.sin(angle))
        cuts.append(between(hole(x, y, radius), low - 20, high + 4))
        rod = insert(room, between(hole(x, y, radius), low, high), 0.12)
        one = True_(kind="round_hole", x=x, y=y, low=low, high=high, diameter=2 * radius, taper=0.0)
        truths.append(replace(one, optional=bool(rod)))
        rods += rod
    return cuts, truths, rods


def hub(rng: np.random.Generator, room: Room, *, one_piece: bool | None = None) -> Made:
    """A flange, a drum, and a disc on a boss that may stand out beyond it."""
    height = float(rng.uniform(0.65, 0.98)) * min(room.height, 95 * room.fine)
    solid = bool(rng.random() < 0.35) if one_piece is None else one_piece
    flush = rng.random() < 0.25
    steps = np.cumsum([-height / 2, *parts_of(rng, height, (0.17,) * (3 if flush else 4))]).tolist()
    z0, z1, z2, z3, z4 = [*steps, steps[-1]][:5]
    r1 = float(rng.uniform(0.75, 0.99)) * room.radius
    r2 = float(rng.uniform(0.5, 0.8)) * r1
    r3 = r2 + float(rng.choice([-1, 1])) * float(rng.uniform(0.08, 0.25)) * r1
    square = rng.random() < 0.7
    corner = min(r2, r3) - 7
    boss = float(rng.uniform(0.55, 1.0)) * corner  # outer radius of the boss, over its corners
    flats = boss * np.sqrt(2) if square else 2 * boss
    turn, round_ = float(rng.uniform(0, 90)), float(rng.uniform(0, 1.2))
    air = 0.0 if solid else gap(rng)

    def boss_of(width: float) -> Distance:
        return box(0, 0, width, width, turn, round_) if square else disc(0, 0, width / 2)

    centre, centre_truth = _centre_hole(rng, room, z0, z4, flats / 2 - 5)
    loss1, loss2, loss3 = (
        eaten_rim(rng, a, b, 0.7 * room.worn, min(4.0, deep))
        for a, b, deep in ((z0, z1, r1 - r2 - 1.1), (z1, z2, 4.0), (z2, z3, min(4.0, r3 - boss - 2)))
    )
    pins, pin_truths, rods = _pin_holes(rng, room, r2, r1, z0, z1)
    relieved = rng.random() < 0.3 and r3 - boss > 12
    x, y, rr, own, off_rim = _relief(rng, r3, boss) if relieved else (0.0, 0.0, 1.0, 0.0, 0.0)
    if relieved:
        loss3 = None
    reliefs = [disc(x, y, rr)] if relieved else []
    flange = cut(between(disc(0, 0, r1, loss=loss1), z0, z1), *pins)
    drum = cut(between(disc(0, 0, r2, loss=loss2), z0, z2), *pins)
    top = cut(between(disc(0, 0, r3, loss=loss3), z2, z3), *reliefs)
    # runs through the joint: pieces of a union that merely touch would leave a skin of half-filled cells there
    core = cut(between(both(disc(0, 0, r2, loss=loss2), disc(0, 0, r3, loss=loss3)), z1, z3), *reliefs, *pins)
    joined = cut(union(flange, drum, top, core, between(boss_of(flats - air), z0, z4)), centre)
    full, bodies = joined, [joined]
    share, fill = 1.0, []
    if not solid:
        lower = cut(union(flange, drum, between(boss_of(flats - air), z0, z4)), centre)
        bodies = [lower, cut(top, boss_of(flats + air))]
        fill, share = filled(rng, between(boss_of(flats + air), z2, z3), between(boss_of(flats - air), z2, z3))
    places = on_rims(
        rng, [Rim(radius=r1, low=z0, high=z1), Rim(radius=r2, low=z1, high=z2), Rim(radius=r3, low=z2, high=z3)], 16
    )
    layers = [*dress(rng, room, bodies, full, places), *fill, *rods]
    truths = [
        _outside(z0, z1, r1, loss1 is not None), _outside(z1, z2, r2, loss2 is not None),
        _outside(z2, z3, r3, loss3 is not None, 360.0 - off_rim), centre_truth, *pin_truths,
    ]  # fmt: skip
    if relieved:
        truths.append(True_(kind="arc_outside", x=x, y=y, low=z2, high=z3, diameter=2 * rr, arc=own, taper=0.0))
    wide = flats - air
    if not flush and square:
        truths.append(True_(kind="square_outside", low=z3, high=z4, pair=(wide, wide), turn=turn))
    elif not flush:
        truths.append(_outside(z3, z4, wide / 2, False))
    pieces = [TruePiece(name="body", low=z0, high=z4)]
    if not solid:
        pieces.append(TruePiece(name="disc", low=z2, high=z3))
        around = 4 * flats if square else np.pi * flats
        seam = {"low": z2, "high": z3, "seam": air * share, "surface": around * (z3 - z2)}
        if square:
            truths.append(True_(kind="square_seam", pair=(flats, flats), turn=turn, **seam))
        else:
            truths.append(True_(kind="round_seam", diameter=flats, **seam))
    return Made(layers=tuple(layers), truths=tuple(truths), pieces=tuple(pieces), reach=r1, low=z0, high=z4)


def ring(rng: np.random.Generator, room: Room, *, fragment: bool = False) -> Made:
    """A ring, whole or broken to a fragment; some have a step in their bore or a taper outside."""
    height = float(rng.uniform(0.3, 0.85)) * min(room.height, 80 * room.fine)
    z0, z1 = -height / 2, height / 2
    outer = float(rng.uniform(0.7, 0.99)) * room.radius
    inner = outer - float(rng.uniform(0.15, 0.45)) * outer
    taper = float(rng.choice([-1, 1])) / float(rng.choice([20, 48])) if rng.random() < 0.35 else 0.0
    outer -= abs(taper) * height / 4
    gone = float(rng.uniform(70, 230)) if fragment else 0.0
    first = float(rng.uniform(0, 360))
    loss_out = eaten_rim(rng, z0, z1, 0.7 * room.worn, min(4.0, (outer - inner) / 2))
    loss_in = eaten_rim(rng, z0, z1, 0.3 * room.worn, min(3.0, (outer - inner) / 3))
    step = float(rng.uniform(0.3, 0.7)) * height + z0 if rng.random() < 0.35 and height > 24 else None
    wider = inner + float(rng.uniform(0.3, 0.6)) * (outer - inner)
    metal = cut(between(disc(0, 0, outer, growth=taper / 2, loss=loss_out), z0, z1), hole(0, 0, inner, loss=loss_in))
    truths = [
        True_(kind="round_outside", low=z0, high=z1, diameter=2 * outer, taper=taper, worn=loss_out is not None, arc=360 - gone),
        True_(kind="round_hole", low=z0, high=z1 if step is None else step, diameter=2 * inner, taper=0.0,
              worn=loss_in is not None, arc=360 - gone),
    ]  # fmt: skip
    if step is not None:
        metal = cut(metal, between(hole(0, 0, wider), step, z1 + 9))
        truths.append(True_(kind="round_hole", low=step, high=z1, diameter=2 * wider, taper=0.0, arc=360 - gone))
    if fragment:
        broken = rough(wedge(first, first + gone), rng, 1.0, 9.0) if room.worn else wedge(first, first + gone)
        metal = both(metal, lambda x, y, z: -broken(x, y, z))
    layers = dress(rng, room, [metal], metal, on_rims(rng, [Rim(radius=outer, low=z0, high=z1)], 16))
    return Made(
        layers=tuple(layers), truths=tuple(truths), pieces=(TruePiece(name="body", low=z0, high=z1),), reach=outer + abs(taper) * height / 4,
        low=z0, high=z1,
    )  # fmt: skip
