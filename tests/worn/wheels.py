"""Toothed wheels, whole and broken, and sandwiches: wheel, spacer, wheel on one arbor."""

import numpy as np
from worn.common import Rim, Room, dress, filled, gap, on_rims
from worn.render import Layer
from worn.shapes import (
    CrownTeeth,
    Distance,
    Floats,
    Teeth,
    between,
    both,
    box,
    cut,
    disc,
    hole,
    rough,
    union,
    wedge,
    window_truth,
    windows,
)  # fmt: skip
from worn.truth import Made, True_, TruePiece
from worn.wear import eaten_rim

_PITCH = 4.0  # px: finer teeth than that the blur swallows


def by_hand(rng: np.random.Generator, count: int) -> tuple[float, ...]:
    """Errors of teeth stepped round with dividers and cut by eye, pitches; some wheels were cut on an engine."""
    if rng.random() < 0.3:
        return ()
    cut, step = (float(np.exp(rng.uniform(np.log(0.002), np.log(high)))) for high in (0.03, 0.012))
    walk = np.cumsum(step * rng.standard_normal(count))
    # the setting of the dividers is tried until it comes round, but for what goes into the last step
    over = float(rng.uniform(-0.25, 0.25))
    walk -= (walk[-1] + over) * np.arange(count) / count
    start = int(rng.integers(count))
    return tuple(float(one) for one in np.roll(walk, start) + cut * rng.standard_normal(count))


def toothed(rng: np.random.Generator, tip: float, hand: np.random.Generator) -> Teeth:
    """A rim of 12 teeth up to 120, as fine as the pitch allows; `hand` divides it."""
    most = int(min(120, 2 * np.pi * tip * 0.94 / _PITCH))
    count = int(np.exp(rng.uniform(np.log(12), np.log(most + 1))))
    pitch = 2 * np.pi * tip / count
    deep = float(rng.uniform(0.45, 0.7)) * min(pitch, 0.45 * tip)
    root = tip - deep
    at_root = float(rng.uniform(0.6, 0.9)) * np.pi * root / count
    at_tip = float(rng.uniform(0.15, 0.55)) * at_root
    return Teeth(
        count=count, tip=tip, root=root, root_half=at_root, tip_half=at_tip,
        turn_deg=float(rng.uniform(0, 360 / count)), errors=by_hand(hand, count),
    )  # fmt: skip


def rim_of(teeth: Teeth, low: float, high: float, *, worn: bool, windows_area: float = 0.0) -> True_:
    """What is true of a toothed rim."""
    return True_(
        kind="wheel", low=low, high=high, teeth=teeth.count, tip=2 * teeth.tip, root=2 * teeth.root,
        turn=float(np.mean(teeth.angles_deg - np.arange(teeth.count) * 360 / teeth.count)), period=360 / teeth.count,
        area=teeth.area(), worn=worn, angles=tuple(float(one) % 360 for one in teeth.angles_deg),
    )  # fmt: skip


def _eaten(rng: np.random.Generator, room: Room, teeth: Teeth, low: float, high: float) -> tuple[Distance, bool]:
    """A toothed rim of which scallops may have eaten teeth, tip and all."""
    loss = eaten_rim(rng, low, high, 0.7 * room.worn, min(5.0, teeth.tip - teeth.root + 2.5))
    if loss is None:
        return teeth.distance, False
    return both(teeth.distance, disc(0, 0, teeth.tip, loss=loss)), True


def wheel(rng: np.random.Generator, room: Room, *, broken: bool = False) -> Made:
    """One wheel, some spoked, some with a collet; or what is left of a broken one."""
    tip = float(rng.uniform(0.75, 0.99)) * room.radius
    thick = float(rng.uniform(8, 26)) * room.fine
    collet = float(rng.uniform(0.6, 1.5)) * thick if rng.random() < 0.45 else 0.0
    if thick + collet > 0.95 * room.height:
        collet = 0.0
    z0 = -(thick + collet) / 2
    z1, z2 = z0 + thick, z0 + thick + collet
    teeth = toothed(rng, tip, room.later.spawn(1)[0])
    rim, worn = _eaten(rng, room, teeth, z0, z1)
    boss = float(rng.uniform(0.22, 0.36)) * tip
    square = rng.random() < 0.4
    size = float(rng.uniform(0.45, 0.95)) * (boss - 6) * (1.4 if square else 2.0)
    size = max(size, 9.0)
    turn = float(rng.uniform(0, 90))
    centre = box(0, 0, size, size, turn, float(rng.uniform(0, 1))) if square else hole(0, 0, size / 2)
    truths = [rim_of(teeth, z0, z1, worn=worn)]
    if square:
        truths.append(True_(kind="square_hole", low=z0, high=z2, pair=(size, size), turn=turn))
    else:
        truths.append(True_(kind="round_hole", low=z0, high=z2, diameter=size, taper=0.0))
    cuts: list[Distance] = []
    rooms: list[True_] = []
    spokes, first = 0, 0.0
    inner, outer = boss + 4, teeth.root - float(rng.uniform(5, 9))
    if rng.random() < 0.45 and outer - inner > 12:
        spokes, width, first = int(rng.integers(3, 7)), float(rng.uniform(5, 10)), float(rng.uniform(0, 120))
        cuts.append(windows(inner, outer, spokes, width, first))
        area, far = window_truth(inner, outer, spokes, width)
        for i in range(spokes):
            middle = np.radians(first + (i + 0.5) * 360 / spokes)
            x, y = float(far * np.cos(middle)), float(far * np.sin(middle))
            rooms.append(True_(kind="free_hole", x=x, y=y, low=z0, high=z1, area=area))
    flat = cut(between(rim, z0, z1), *cuts)
    if broken:
        gone, start = float(rng.uniform(50, 150)), float(rng.uniform(0, 360))
        lost = both(wedge(start, start + gone), lambda x, y, z: -disc(0, 0, boss + 3)(x, y, z))
        lost = rough(lost, rng, 1.0, 9.0) if room.worn else lost
        flat = cut(flat, lost)
        truths[0] = rim_of(teeth, z0, z1, worn=True)
        # a room is left where it lies well clear of the fracture on both sides
        half = 180 / max(spokes, 1)
        at = [np.degrees(np.arctan2(one.y, one.x)) - start - gone / 2 for one in rooms]
        clear = [abs((a + 180) % 360 - 180) > gone / 2 + half for a in at]
        rooms = [one for one, ok in zip(rooms, clear, strict=True) if ok]
    truths += rooms
    metal = cut(union(flat, between(disc(0, 0, boss), z0, z2)) if collet else flat, centre)
    if collet:
        truths.append(True_(kind="round_outside", low=z1, high=z2, diameter=2 * boss, taper=0.0))
    layers = dress(rng, room, [metal], metal, on_rims(rng, [Rim(radius=teeth.root, low=z0, high=z1)], 16))
    return Made(
        layers=tuple(layers), truths=tuple(truths), pieces=(TruePiece(name="body", low=z0, high=z2),), reach=tip,
        low=z0, high=z2,
    )  # fmt: skip


def crown(rng: np.random.Generator, room: Room) -> Made:
    """A crown wheel: a bored disc with a rim whose end face, near or far, is cut into teeth along the axis."""
    outer = float(rng.uniform(0.7, 0.99)) * room.radius
    inner = outer - float(rng.uniform(8, 14)) * room.fine
    disc_thick, rim_thick = float(rng.uniform(8, 16)) * room.fine, float(rng.uniform(4, 12)) * room.fine
    count = int(rng.integers(9, int(2 * np.pi * inner / 9.0)))
    pitch = np.pi * (inner + outer) / count
    deep = float(np.clip(float(rng.uniform(0.5, 0.9)) * pitch, 6.0, 0.3 * room.height))
    at_root = float(rng.uniform(0.3, 0.38)) * pitch
    hand = room.later.spawn(1)[0]
    errors = np.array(by_hand(hand, count) or (0.0,) * count)
    angles = (float(rng.uniform(0, 360 / count)) + (np.arange(count) + errors) * 360 / count) % 360
    z0 = -(disc_thick + rim_thick + deep) / 2
    z1, z2, z3 = z0 + disc_thick, z0 + disc_thick + rim_thick, z0 + disc_thick + rim_thick + deep
    up = rng.random() < 0.5
    teeth = CrownTeeth(
        inner=inner, outer=outer, root=z2, tip=z3, root_half=at_root, tip_half=float(rng.uniform(0.3, 0.7)) * at_root,
        angles_deg=tuple(float(a) for a in np.sort(angles)),
    )  # fmt: skip
    bore = float(rng.uniform(5.0, 0.5 * inner))
    blank = cut(
        union(between(disc(0, 0, outer), z0, z2), between(teeth.distance, z2 - 1, z3)),
        between(disc(0, 0, inner), z1, z3 + 2), hole(0, 0, bore),
    )  # fmt: skip
    sign = 1.0 if up else -1.0

    def metal(x: Floats, y: Floats, z: Floats) -> Floats:
        """Mirrored where its teeth look at the viewer."""
        return blank(x, y, sign * z)

    def depths(a: float, b: float) -> dict[str, float]:
        return {"low": min(sign * a, sign * b), "high": max(sign * a, sign * b)}

    truths = (
        True_(
            kind="wheel", **depths(z2, z3), teeth=count, diameter=2 * outer, inner=2 * inner,
            turn=float(np.mean(np.sort(angles) - np.arange(count) * 360 / count)), period=360 / count,
            angles=teeth.angles_deg,
        ),
        True_(kind="round_outside", **depths(z0, z2), diameter=2 * outer, taper=0.0),
        True_(kind="round_hole", **depths(z1, z2), diameter=2 * inner, taper=0.0),
        True_(kind="round_hole", **depths(z0, z1), diameter=2 * bore, taper=0.0),
    )  # fmt: skip
    low, high = min(sign * z0, sign * z3), max(sign * z0, sign * z3)
    return Made(
        layers=((metal, 1.0),), truths=truths, pieces=(TruePiece(name="body", low=low, high=high),), reach=outer, low=low,
        high=high,
    )  # fmt: skip


def sandwich(rng: np.random.Generator, room: Room, *, one_piece: bool = False) -> Made:
    """Wheel, spacer, wheel: on a square arbor, on a round arbor with a shoulder, or riveted together.

    The side seams run through all three pieces; flat seams lie between them. A one-piece control is turned from
    the solid and has none.
    """
    how = str(rng.choice(["square", "shoulder", "riveted"]))
    thick = [
        float(rng.uniform(8, 18)) * room.fine,
        float(rng.uniform(8, 20)) * room.fine,
        float(rng.uniform(8, 18)) * room.fine,
    ]
    ends = [0.0, 0.0] if how == "riveted" else [float(rng.uniform(8, 16)) * room.fine for _ in range(2)]
    scale = min(1.0, 0.96 * room.height / (sum(thick) + sum(ends)))
    thick, ends = [t * scale for t in thick], [e * scale for e in ends]
    flat_gap = [0.0, 0.0] if one_piece else [gap(rng), gap(rng)]
    z0 = -(sum(thick) + sum(ends)) / 2
    z1 = z0 + ends[0]  # first wheel from here
    z2 = z1 + thick[0]
    z3, z4 = z2 + flat_gap[0], z2 + flat_gap[0] + thick[1]
    z5 = z4 + flat_gap[1]
    z6 = z5 + thick[2]
    z7 = z6 + ends[1]
    tips = sorted([float(rng.uniform(0.7, 0.99)) * room.radius, float(rng.uniform(0.55, 0.95)) * room.radius])
    if rng.random() < 0.5:
        tips.reverse()
    wheels = [toothed(rng, tip, hand) for tip, hand in zip(tips, room.later.spawn(2), strict=True)]
    least = min(t.root for t in wheels)
    spacer = float(rng.uniform(0.5, 0.8)) * least
    rims = [_eaten(rng, room, t, a, b) for t, a, b in zip(wheels, (z1, z5), (z2, z6), strict=True)]
    loss = eaten_rim(rng, z3, z4, 0.5 * room.worn)
    flats = [
        between(rims[0][0], z1, z2), between(disc(0, 0, spacer, loss=loss), z3, z4), between(rims[1][0], z5, z6),
    ]  # fmt: skip
    truths = [
        rim_of(wheels[0], z1, z2, worn=rims[0][1]), rim_of(wheels[1], z5, z6, worn=rims[1][1]),
        True_(kind="round_outside", low=z3, high=z4, diameter=2 * spacer, taper=0.0, worn=loss is not None),
    ]  # fmt: skip
    names = ["wheel", "spacer", "wheel"]
    pieces = [TruePiece(name=n, low=a, high=b) for n, a, b in zip(names, (z1, z3, z5), (z2, z4, z6), strict=True)]
    # runs through the joints: pieces of a union that merely touch would leave a skin of half-filled cells there
    core = between(disc(0, 0, spacer, loss=loss), z1, z6)
    air = 0.0 if one_piece else gap(rng)
    held = _riveted if how == "riveted" else _on_arbor
    rods, rooms, more, own, extra = held(rng, room, how, air, spacer, (z0, z1, z6, z7))
    centre = [hole(0, 0, extra)] if extra else []
    full = cut(union(*flats, core, *rods), *centre)
    if one_piece:
        bodies = [full]
        kept = [t for t in more if not t.kind.endswith("_seam")]
        truths, pieces = [*truths, *kept], [TruePiece(name="body", low=z0, high=z7)]
        layers: list[Layer] = []
    else:
        bodies = [cut(one, *rooms, *centre) for one in flats] + [cut(rod, *centre) for rod in rods]
        layers, share = filled(rng, union(*rooms_between(rooms, z1, z6)), union(*rooms_between(rods, z1, z6)))
        for one in more:
            if one.kind.endswith("_seam"):
                truths.append(True_(**{**vars(one), "seam": (one.seam or 0.0) * share}))
            else:
                truths.append(one)
        pieces += own
        taken = sum(
            np.pi * (r.diameter or 0) ** 2 / 4 if r.diameter else (r.pair or (0, 0))[0] ** 2
            for r in more
            if r.kind.endswith("_seam")
        )
        for at, wide in ((z2, flat_gap[0]), (z4, flat_gap[1])):
            surface = np.pi * spacer**2 - taken
            truths.append(
                True_(kind="face_seam", low=at + wide / 2, high=at + wide / 2, seam=wide, surface=float(surface))
            )
    reach = max(tips)
    rims_at = [
        Rim(radius=wheels[0].root, low=z1, high=z2),
        Rim(radius=wheels[1].root, low=z5, high=z6),
        Rim(radius=spacer, low=z3, high=z4),
    ]
    layers = [*dress(rng, room, bodies, full, on_rims(rng, rims_at, 16)), *layers]
    return Made(layers=tuple(layers), truths=tuple(truths), pieces=tuple(pieces), reach=reach, low=z0, high=z7)


def rooms_between(shapes: list[Distance], low: float, high: float) -> list[Distance]:
    """The stretch of each shape between two depths."""
    return [between(one, low, high) for one in shapes]


_Held = tuple[list[Distance], list[Distance], list[True_], list[TruePiece], float]


def _on_arbor(
    rng: np.random.Generator, room: Room, how: str, air: float, spacer: float, depths: tuple[float, float, float, float]
) -> _Held:
    """An arbor through everything: square with its ends round or square, or round with a shoulder below."""
    z0, z1, z6, z7 = depths
    square = how == "square"
    # turned from the solid (no air about the arbor) the shoulder runs on into the wheel: pieces of a union that merely
    # touch would leave a skin of half-filled cells there, 0.12 px of air that is no seam of the part
    seat = z1 if air else z1 + 3
    reach = float(rng.uniform(0.35, 0.6)) * spacer  # of the section that carries the wheels
    flats = reach * np.sqrt(2) if square else 2 * reach
    turn = float(rng.uniform(0, 90))
    shoulder = min(reach + float(rng.uniform(3, 6)), spacer - 4)
    end = reach if square else float(rng.uniform(0.6, 0.85)) * reach
    if square:
        end = flats / 2 * float(rng.uniform(0.75, 0.95))
    bore = float(rng.uniform(3.0, 5.0)) if end > 12 and rng.random() < 0.3 else 0.0

    def carry(width: float) -> Distance:
        return box(0, 0, width, width, turn, 0.5) if square else disc(0, 0, width / 2)

    rod = union(
        between(carry(flats - air), z0, z6), between(disc(0, 0, shoulder), z0, seat), between(disc(0, 0, end), z0, z7),
    )  # fmt: skip
    seam = {"low": z1, "high": z6, "seam": air, "surface": (4 if square else np.pi) * flats * (z6 - z1)}
    truths = [
        True_(kind="round_outside", low=z0, high=z1, diameter=2 * shoulder, taper=0.0),
        True_(kind="round_outside", low=z6, high=z7, diameter=2 * end, taper=0.0),
        True_(kind="square_seam", pair=(flats, flats), turn=turn, **seam) if square
        else True_(kind="round_seam", diameter=flats, **seam),
    ]  # fmt: skip
    if bore:
        truths.append(True_(kind="round_hole", low=z0, high=z7, diameter=2 * bore, taper=0.0))
    return [rod], [carry(flats + air)], truths, [TruePiece(name="arbor", low=z0, high=z7)], bore


def _riveted(
    rng: np.random.Generator, room: Room, how: str, air: float, spacer: float, depths: tuple[float, float, float, float]
) -> _Held:
    """Two to four rivets, filed flush, about a bore."""
    _, z1, z6, _ = depths
    bore = float(rng.uniform(4.5, max(5.0, 0.3 * spacer)))
    count = int(rng.integers(2, 5))
    radius = float(rng.uniform(3.0, max(3.2, min(6.0 * room.fine, (spacer - bore) / 2 - 5))))
    far, first = (bore + spacer) / 2, float(rng.uniform(0, 360))
    rods, rooms, truths, pieces = [], [], [], []
    for i in range(count):
        angle = np.radians(first + 360 * i / count)
        x, y = float(far * np.cos(angle)), float(far * np.sin(angle))
        rods.append(between(disc(x, y, radius - air / 2), z1, z6))
        rooms.append(disc(x, y, radius + air / 2))
        surface = 2 * np.pi * radius * (z6 - z1)
        truths.append(
            True_(kind="round_seam", x=x, y=y, low=z1, high=z6, diameter=2 * radius, seam=air, surface=surface)
        )
        pieces.append(TruePiece(name="rivet", low=z1, high=z6))
    truths.append(True_(kind="round_hole", low=z1, high=z6, diameter=2 * bore, taper=0.0))
    return rods, rooms, truths, pieces, bore
