"""What rests on what: Z of every part, and each axial clearance as a chain of sizes."""

from collections.abc import Mapping
from dataclasses import dataclass

from ctrecon.workshop.assembly.heights import Face, Faces, axial_keys, size_between
from ctrecon.workshop.assembly.model import AxialGap, ChainTerm, PlannedSize
from ctrecon.workshop.assembly.schema import Table, nearest

__all__ = ["Seat", "Stacked", "axial_sizes", "read_gap", "stacked"]

_WAYS = ("lower", "upper")


@dataclass(frozen=True)
class Seat:
    """What a part rests on: a part, the step of it (None: its highest face), and the gap left between (mm)."""

    part: str
    step: str | None = None
    gap_mm: float = 0.0


@dataclass(frozen=True)
class Stacked:
    """Faces of all parts, what each rests on, and Z of each part's seat (mm)."""

    faces: Mapping[str, Faces]
    seats: Mapping[str, Seat]
    z: Mapping[str, float]

    def upper_of(self, seat: Seat) -> Face:
        """Return the face that a part rests on."""
        return face_of(self.faces[seat.part], seat.step, "upper")


def face_of(faces: Faces, step: str | None, way: str) -> Face:
    """Return the lower or upper face of a part, or of one of its steps."""
    if step is None:
        return faces.lowest if way == "lower" else faces.highest
    number = next(n for n, one in enumerate(faces.part.steps) if one.id == step)
    return faces.pairs[number][0 if way == "lower" else 1]


def stacked(faces: Mapping[str, Faces], seats: Mapping[str, Seat], table: Table) -> Stacked:
    """Return Z of every part: each rests on another, one on none, and none on itself.

    Parameters
    ----------
    faces : mapping of str to Faces
        Of every part.
    seats : mapping of str to Seat
        What each part but the lowest rests on.
    table : Table
        ``[parts]``, for messages.
    """
    z: dict[str, float] = {}
    ground = [one for one in faces if one not in seats]
    if not ground:
        table.refuse(f"{next(iter(faces))}.rests_on", "every part rests on another; leave it out of the lowest")
    if len(ground) > 1:
        why = f"is missing: {' and '.join(ground)} rest on nothing, and only one part may"
        table.refuse(f"{ground[1]}.rests_on", f'{why}; name the part or step under it, such as "{ground[0]}"')
    # heights are counted from the lowest face of the lowest part
    z[ground[0]] = -faces[ground[0]].lowest.z
    waiting = [one for one in faces if one not in z]
    while waiting:
        ready = [one for one in waiting if seats[one].part in z]
        if not ready:
            table.refuse(f"{waiting[0]}.rests_on", f"goes round in a ring with {', '.join(waiting)}; mend one of them")
        for one in ready:
            seat = seats[one]
            z[one] = z[seat.part] + face_of(faces[seat.part], seat.step, "upper").z + seat.gap_mm
        waiting = [one for one in waiting if one not in z]
    return Stacked(faces, seats, z)


def axial_sizes(faces: Faces) -> dict[str, PlannedSize]:
    """Return thickness, and length and height of every step, by key."""
    part, foot = faces.part, faces.part.steps[faces.first].id
    words = axial_keys(part, foot)
    key = f"{part.id}.thickness"
    out = {key: size_between(part, key, words[key], faces.lowest, faces.highest)}
    for one, (low, high) in zip(part.steps, faces.pairs, strict=True):
        for name, base in (("length", low), ("height", faces.seat)):
            key = f"{part.id}.{one.id}.{name}"
            if key in words:
                out[key] = size_between(part, key, words[key], base, high)
    return out


def read_gap(table: Table, ident: str, stack: Stacked, extra: dict[str, PlannedSize]) -> AxialGap:
    """Read one of ``[gaps]``: between = [upper face, lower face], and what it should lie between.

    Parameters
    ----------
    table : Table
        ``[gaps.ID]``.
    ident : str
        Its id.
    stack : Stacked
        Faces and seats.
    extra : dict of str to PlannedSize
        Takes the sizes that the chain needs and no part lists: distances of two faces that no step joins.
    """
    between = table.texts("between")
    if len(between) != 2:
        table.refuse("between", 'must name two faces, the one above first, such as ["top_plate.lower", "spacer.upper"]')
    (over, over_face), (under, under_face) = (_face(table, one, stack) for one in between)
    least, most = table.size("least_mm", above_zero=False), table.size("most_mm", above_zero=False)
    if least is not None and most is not None and least.value > most.value:
        table.refuse("least_mm", f"is more than most_mm ({most.value:g}); give the smaller first")
    name = table.text("name", ident.replace("_", " "))
    table.close()
    runs: dict[str, list[tuple[Face, int]]] = {}
    fixed = 0.0
    for part, face, sign in ((over, over_face, 1), (under, under_face, -1)):
        runs.setdefault(part, []).append((face, sign))
        while part in stack.seats:
            seat = stack.seats[part]
            runs[part].append((stack.faces[part].seat, -sign))
            fixed += sign * seat.gap_mm
            part = seat.part
            runs.setdefault(part, []).append((stack.upper_of(seat), sign))
        runs[part].append((stack.faces[part].lowest, -sign))
    terms = [term for part, faces in runs.items() for term in _terms(stack.faces[part], faces, extra)]
    return AxialGap(
        id=ident, name=name, upper=between[0], lower=between[1], terms=tuple(terms), fixed_mm=fixed,
        least_mm=None if least is None else least.value, most_mm=None if most is None else most.value,
    )  # fmt: skip


def _face(table: Table, text: str, stack: Stacked) -> tuple[str, Face]:
    """Read ``part.upper`` or ``part.step.lower``."""
    part, *rest = text.split(".")
    if part not in stack.faces:
        table.refuse("between", f"there is no part '{part}'; {nearest(part, stack.faces)}")
    steps = [one.id for one in stack.faces[part].part.steps]
    if not rest or rest[-1] not in _WAYS or len(rest) > 2:
        table.refuse("between", f"'{text}' is no face; write {part}.lower, {part}.upper or {part}.STEP.upper")
    step = rest[0] if len(rest) == 2 else None
    if step is not None and step not in steps:
        table.refuse("between", f"{part} has no step '{step}'; {nearest(step, steps)}")
    return part, face_of(stack.faces[part], step, rest[-1])


def _terms(faces: Faces, run: list[tuple[Face, int]], extra: dict[str, PlannedSize]) -> list[ChainTerm]:
    """Return what one part adds to a chain: signed distances of its faces, those that cancel left out."""
    plus = [face for face, sign in run if sign > 0]
    minus = [face for face, sign in run if sign < 0]
    for face in list(plus):
        if face in minus:
            plus.remove(face)
            minus.remove(face)
    # as many of one sign as of the other: a part is entered by one face and left by another
    plus.sort(key=lambda one: one.z)
    minus.sort(key=lambda one: one.z)
    out = []
    for high, low in zip(plus, minus, strict=True):
        sign = 1 if high.z >= low.z else -1
        first, last = (low, high) if sign > 0 else (high, low)
        out.append(ChainTerm(_key(faces, first, last, extra), sign))
    return out


def _key(faces: Faces, low: Face, high: Face, extra: dict[str, PlannedSize]) -> str:
    """Return the key of the distance of two faces, making one where no step and no height is it."""
    part = faces.part
    if low == faces.lowest and high == faces.highest:
        return f"{part.id}.thickness"
    for one, (bottom, top) in zip(part.steps, faces.pairs, strict=True):
        if high == top and low == bottom:
            return f"{part.id}.{one.id}.length"
        if high == top and low == faces.seat and top.z > 0:
            return f"{part.id}.{one.id}.height"
    names = {face: f"{one.id}_{way}" for one, pair in zip(part.steps, faces.pairs, strict=True)
             for way, face in zip(_WAYS, pair, strict=True)}  # fmt: skip
    key = f"{part.id}.{names[low]}_to_{names[high]}"
    words = f"{part.id} from {names[low].replace('_', ' ')} to {names[high].replace('_', ' ')}"
    extra[key] = size_between(part, key, words, low, high)
    return key
