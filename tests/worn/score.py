"""Matches a record with the truth of its part and notes what was found, missed, added, and by how much it errs."""

import re
from collections.abc import Sequence
from typing import Any

import numpy as np
from scipy.optimize import linear_sum_assignment
from worn.truth import Scanned

from ctrecon import Feature, Measured, Part

PLACE = 2.0
"""Farther than this (px) from the true place it is something else; as stated in the project's targets."""

OVERLAP = 0.5
"""Least share of depth, common to both over what either covers; as stated in the project's targets."""

SIZE = (3.0, 0.1)
"""Larger size errors than both (px, share) mean something else was measured: not even a bitten rim errs as much."""

NEUTRAL = frozenset({
    "handedness_assumed", "runs_out_of_stack", "axis_assumed", "few_slices", "short", "several_bodies", "tapered",
    "undecided", "toothed_rim", "corner_missing",
})  # fmt: skip
"""Flags that name no disturbance of the data."""

_SHAPES = {
    "round": "round", "square": "square", "rectangular": "square", "slot": "slot", "polygon": "polygon",
    "free": "free", "wheel": "free", "arc": "arc", "face": "face",
}  # fmt: skip


def family(kind: str) -> tuple[str, str]:
    """Role (hole, outside, seam) and shape of a kind; a rectangle passes for a square, a free rim for a wheel's."""
    shape = _SHAPES[kind.split("_")[0]]
    role = "hole" if kind == "slot" else "outside" if kind == "wheel" else kind.split("_")[-1]
    return role, shape


def group_of(kind: str) -> str:
    """Under which heading errors of a kind are listed."""
    if kind == "face_seam":
        return "face"
    if kind.endswith("_seam"):
        return "seam"
    head = kind.split("_")[0]
    return "rect" if head == "rectangular" else "rim" if kind == "wheel" else head


def _families(one: Feature) -> set[tuple[str, str]]:
    """What a record's feature may pass for: the kinds beside it too, where it is undecided."""
    kinds = [one.kind]
    if "undecided" in one.flags:
        kinds += [a.kind for a in one.alternatives]
    return {family(k) for k in kinds if k.split("_")[0] in _SHAPES}


def _value(m: Measured | None, otherwise: float) -> float:
    return otherwise if m is None else m.value


def _size_px(one: Feature, px: float) -> float | None:
    if one.diameter_mm is not None:
        return one.diameter_mm.value / px
    if one.flats_pair_mm is not None:
        return (one.flats_pair_mm[0].value + one.flats_pair_mm[1].value) / 2 / px
    if one.flats_mm is not None:
        return one.flats_mm.value / px
    return None


def _share(true: dict[str, Any], one: Feature, truth: Scanned) -> float:
    """Depth that both cover, over what either covers; negative where they lie apart."""
    last = truth.voxel_mm[0] * (len(truth.slices) - 1)
    low, high = (
        0.0 if true["depth_from_mm"] is None else true["depth_from_mm"],
        last if true["depth_to_mm"] is None else true["depth_to_mm"],
    )
    a, b = _value(one.depth_from_mm, 0.0), _value(one.depth_to_mm, last)
    return float((min(b, high) - max(a, low)) / max(max(b, high) - min(a, low), 1e-9))


def _cost(true: dict[str, Any], one: Feature, truth: Scanned) -> float | None:
    """How badly a feature of the record fits a true one; None where it is something else."""
    if family(true["kind"]) not in _families(one):
        return None
    dz, px = truth.voxel_mm[0], truth.px_mm
    if true["kind"] == "face_seam":
        off = abs(_value(one.depth_from_mm, -1e9) - true["depth_from_mm"]) / dz
        return off if off <= PLACE else None
    if one.x_mm is None or one.y_mm is None:
        return None
    away = float(np.hypot(one.x_mm.value - true["x_mm"], one.y_mm.value - true["y_mm"])) / px
    most = PLACE
    if true["kind"] == "wheel" and true["worn"]:
        most = 0.2 * true["tip_diameter_mm"] / px  # what is left of a worn or broken rim has its middle elsewhere
    share = _share(true, one, truth)
    if away > most or share <= OVERLAP:
        return None
    size, want = _size_px(one, px), true.get("diameter_mm", true.get("flats_mm"))
    wrong = 0.0
    if size is not None and want is not None:
        wrong = abs(size - want / px)
        if wrong > max(SIZE[0], SIZE[1] * want / px):
            return None
    return away / most + (1 - share) + wrong / SIZE[0]


def match(truth: Scanned, part: Part) -> list[tuple[int, int]]:
    """Pairs (true feature, feature of the record), one to one, that fit best together."""
    none = 1e6
    table = np.full((len(truth.features), len(part.features)), none)
    for i, true in enumerate(truth.features):
        for j, one in enumerate(part.features):
            cost = _cost(true, one, truth)
            if cost is not None:
                table[i, j] = cost
    rows, columns = linear_sum_assignment(table)
    return [(int(i), int(j)) for i, j in zip(rows, columns, strict=True) if table[i, j] < none]


def _ends_at(true: dict[str, Any], one: Feature, direction: Sequence[float]) -> tuple[float | None, float | None]:
    """True ends on the record's own axis: the middle of what is left of a rim lies elsewhere on its leaning faces."""
    ends = true["depth_from_mm"], true["depth_to_mm"]
    if true["kind"] != "wheel" or not true["worn"] or one.x_mm is None or one.y_mm is None:
        return ends
    off = direction[0] * (one.x_mm.value - true["x_mm"]) + direction[1] * (one.y_mm.value - true["y_mm"])
    low, high = (None if v is None else v - off / direction[2] for v in ends)
    return low, high


def _samples(
    true: dict[str, Any], one: Feature, truth: Scanned, disturbed: bool, direction: Sequence[float]
) -> list[dict[str, Any]]:
    """Errors of one feature with the u stated: px, slices, degrees, mm per mm."""
    px, dz = truth.px_mm, truth.voxel_mm[0]
    group = group_of(true["kind"])
    about = {
        "group": group,
        "worn": true["worn"],
        "weak": true["weak"],
        "flagged": disturbed,
        "role": family(true["kind"])[0],
    }
    out: list[dict[str, Any]] = []

    def note(quantity: str, m: Measured | None, want: float | None, unit: float, period: float | None = None) -> None:
        if m is None or want is None:
            return
        error = m.value - want
        if period is not None:
            error = (error + period / 2) % period - period / 2
        out.append({"quantity": quantity, "error": error / unit, "u": None if m.u is None else m.u / unit, **about})

    note("size", one.diameter_mm, true.get("diameter_mm"), px)
    pair = true.get("flats_pair_mm")
    if pair is not None and one.flats_pair_mm is not None and group in ("rect", "slot"):
        for m, want in zip(one.flats_pair_mm, pair, strict=True):
            note("size", m, want, px)
    elif pair is not None:
        note("size", one.flats_mm, true["flats_mm"], px)
        if one.flats_mm is None and one.flats_pair_mm is not None:
            for m in one.flats_pair_mm:
                note("size", m, true["flats_mm"], px)
    note("size", one.tip_diameter_mm, true.get("tip_diameter_mm"), px)
    note("inner", one.inner_diameter_mm, true.get("inner_mm"), px)
    note("root", one.root_diameter_mm, true.get("root_diameter_mm"), px)
    turn = true.get("turn_deg")
    if one.tooth_places and true.get("tooth_angles_deg"):
        places, turn = _true_teeth(one, true)
        for place, want in zip(one.tooth_places, places, strict=True):
            note("tooth", _with_centre(one, place.angle_deg), want, 1.0, 360.0)
        note("pitch", one.pitch_deg, _true_pitch(one, places), 1.0)
    note("seam", one.seam_mm, true.get("seam_mm"), px)
    free = one.kind.startswith("free")
    if free and one.area_mm2 is not None and not true["worn"] and true.get("area_mm2"):
        wide = 2 * np.sqrt(true["area_mm2"] / np.pi)  # as the diameter of a disc of this area
        m = one.area_mm2
        got = 2 * np.sqrt(max(m.value, 0.0) / np.pi)
        slope = 1 / np.sqrt(np.pi * max(true["area_mm2"], 1e-9))
        note("size", Measured(float(got), None if m.u is None else float(m.u * slope)), float(wide), px)
    if group != "face" and not (free and true["worn"]):
        note("place", one.x_mm, true["x_mm"], px)
        note("place", one.y_mm, true["y_mm"], px)
    low, high = _ends_at(true, one, direction)
    note("end", one.depth_from_mm, low, dz)
    if group != "face":
        note("end", one.depth_to_mm, high, dz)
    if turn is not None and one.turn_deg is not None:
        square = group in ("square", "seam") or (group == "rect" and one.kind.startswith("square"))
        note("turn", one.turn_deg, turn, 1.0, 90.0 if square else true["period_deg"])
    note("taper", one.taper_mm_per_mm, true.get("taper_mm_per_mm"), 1.0)
    return out


def _true_teeth(one: Feature, true: dict[str, Any]) -> tuple[list[float], float]:
    """Return the true angle nearest to that of each tooth of the record, and the mean of these as a turn."""
    angles, period = np.array(true["tooth_angles_deg"]), 360 / true["teeth"]
    found = [float(angles[np.argmin(np.abs((angles - p.angle_deg.value + 180) % 360 - 180))]) for p in one.tooth_places]
    mean = np.degrees(np.angle(np.mean(np.exp(1j * np.radians(found) * true["teeth"])))) / true["teeth"]
    return found, float(mean % period)


def _true_pitch(one: Feature, places: list[float]) -> float:
    """Return the true mean step of the teeth that the record gives a pitch of: all of a whole rim, else what is left."""
    if one.arc_deg == 360:
        return 360 / len(places)
    stretch = np.array([p.stretch for p in one.tooth_places])
    keep = np.array([not p.bent for p in one.tooth_places])
    angle, number = np.zeros(len(places)), np.zeros(len(places))
    for s in range(int(stretch.max()) + 1):
        own = stretch == s
        angle[own], number[own] = np.unwrap(np.array(places)[own], period=360), np.arange(own.sum())
        used = own & keep
        if used.any():
            angle[used] -= angle[used].mean()
            number[used] -= number[used].mean()
    return float(angle[keep] @ number[keep] / (number[keep] @ number[keep]))


def _with_centre(one: Feature, angle: Measured) -> Measured:
    """Return the angle of a tooth with what the uncertainty of the centre adds, which the record states apart."""
    wide = one.tip_diameter_mm or one.diameter_mm
    if one.x_mm is None or one.y_mm is None or wide is None:
        return angle
    shift = np.hypot(one.x_mm.u or 0.0, one.y_mm.u or 0.0) / np.sqrt(2) / (wide.value / 2)
    return Measured(angle.value, float(np.hypot(angle.u or 0.0, np.degrees(shift))))


def _pieces(truth: Scanned, part: Part) -> dict[str, Any]:
    """Whether the pieces are right: as many, each at its depths, called separate; and what was called so falsely."""
    dz, last = truth.voxel_mm[0], truth.voxel_mm[0] * (len(truth.slices) - 1)
    separate = [p for p in part.pieces if p.verdict == "separate"]
    if any(f["insert"] for f in truth.features):
        return {"judged": False, "right": False, "false_separate": False, "undecided": False}
    if len(truth.pieces) == 1:
        return {
            "right": len(part.pieces) == 1,
            "false_separate": bool(separate),
            "undecided": any(p.verdict == "undecided" for p in part.pieces),
        }
    table = np.full((len(truth.pieces), max(len(separate), 1)), 1e6)
    for i, true in enumerate(truth.pieces):
        want = (
            0.0 if true["depth_from_mm"] is None else true["depth_from_mm"],
            last if true["depth_to_mm"] is None else true["depth_to_mm"],
        )
        for j, one in enumerate(separate):
            off = max(abs(_value(one.depth_from_mm, 0.0) - want[0]), abs(_value(one.depth_to_mm, last) - want[1])) / dz
            if off <= PLACE:
                table[i, j] = off
    rows, columns = linear_sum_assignment(table)
    told = int((table[rows, columns] < 1e6).sum())
    return {
        "right": told == len(truth.pieces) == len(separate), "told": told, "of": len(truth.pieces), "listed": len(separate),
        "false_separate": False, "undecided": any(p.verdict == "undecided" for p in part.pieces),
    }  # fmt: skip


SMALL_PIN = 14.0
"""A pin thinner than this (px) is a small one: half as much surface as an arbor (own reckoning, no source)."""

_NEAR_SLICES = 2.5  # between a flat seam and the slice named, rounded, for where an outside ends
_LIMIT = re.compile(r"a gap thinner than about ([0-9.]+) mm would not show")
_FLAT_LIMIT = re.compile(r"([0-9.]+) mm at slice ([0-9]+)")
_NO_FLAT = re.compile(r"At slices? ([0-9, and]+) .* too little metal")


def _flat_limit_of(part: Part, at: float) -> float | None:
    """The thinnest flat gap (mm) that the record says would show within two slices of `at`: any, where none would."""
    texts = [one.says for piece in part.pieces for one in piece.evidence if one.kind == "limit"]
    said = [(float(mm), int(k)) for text in texts for mm, k in _FLAT_LIMIT.findall(text)]
    said += [(np.inf, int(k)) for text in texts for m in _NO_FLAT.findall(text) for k in re.findall("[0-9]+", m)]
    return max((mm for mm, k in said if abs(k - at) <= _NEAR_SLICES), default=None)


def _limit_of(part: Part) -> float | None:
    """The thinnest gap (mm) that the record says would show; None where it says nothing."""
    found = [_LIMIT.search(one.says) for piece in part.pieces for one in piece.evidence]
    return next((float(m[1]) for m in found if m), None)


def _seams(truth: Scanned, part: Part, hit: set[int]) -> dict[str, Any]:
    """How many seams between pieces were told, and of those that were not whether the stated limit was true."""
    seams = [i for i, f in enumerate(truth.features) if "strength" in f and not f["optional"]]
    limit = _limit_of(part)
    missed = [truth.features[i] for i in seams if i not in hit]
    # the record says that a small pin needs twice as much
    pins = [f.get("diameter_mm", np.inf) < SMALL_PIN * truth.px_mm for f in missed]
    limits = [
        _flat_limit_of(part, f["depth_from_mm"] / truth.voxel_mm[0]) if f["kind"] == "face_seam" else limit
        for f in missed
    ]
    true = [
        most is not None and f["seam_mm"] <= (1 + pin) * most
        for f, most, pin in zip(missed, limits, pins, strict=True)
    ]
    each = [(truth.features[i]["kind"], truth.features[i]["strength"], i in hit) for i in seams]
    return {
        "of": len(seams), "told": len(seams) - len(missed), "limit_true": sum(true), "limit_mm": limit, "each": each,
        "weakest": min((strength for _, strength, _ in each), default=np.inf),
    }  # fmt: skip


def _says(
    kind: str, low: float | None, high: float | None, x: float, y: float, size: float | None, dz: float, px: float
) -> str:
    """One feature in a few words: kind, size, place (px) and slices."""
    ends = "-".join("?" if v is None else f"{v / dz:.1f}" for v in (low, high))
    wide = "" if size is None else f" {size:.1f}"
    return f"{kind}{wide} at {x / px:.1f},{y / px:.1f} slices {ends}"


def _true_says(true: dict[str, Any], truth: Scanned) -> str:
    size = true.get("diameter_mm", true.get("flats_mm", true.get("tip_diameter_mm")))
    text = _says(
        true["kind"], true["depth_from_mm"], true["depth_to_mm"], true["x_mm"], true["y_mm"],
        None if size is None else size / truth.px_mm, truth.voxel_mm[0], truth.px_mm,
    )  # fmt: skip
    return text + (
        f" seam {true['seam_mm'] / truth.px_mm:.3f} strength {true['strength']:.0f}" if "strength" in true else ""
    )


def _found_says(one: Feature, truth: Scanned) -> str:
    ends = [None if m is None else m.value for m in (one.depth_from_mm, one.depth_to_mm)]
    text = _says(
        one.kind, ends[0], ends[1], _value(one.x_mm, -1), _value(one.y_mm, -1), _size_px(one, truth.px_mm),
        truth.voxel_mm[0], truth.px_mm,
    )  # fmt: skip
    return f"{text} ({', '.join(one.flags)})" if one.flags else text


def compare(truth: Scanned, part: Part, direction: Sequence[float]) -> dict[str, Any]:
    """Everything there is to say about one record: plain data, ready for JSON.

    Parameters
    ----------
    truth : Scanned
        The part.
    part : Part
        Its record.
    direction : (x, y, z)
        True direction of the part's axis in the stack.

    Returns
    -------
    dict
        `found`, `missed`, `weak_found`, `weak_missed`, `extras`, `undecided`: kinds; `samples`; `pieces`; `says`.
    """
    pairs = match(truth, part)
    hit, used = {i for i, _ in pairs}, {j for _, j in pairs}
    out: dict[str, Any] = {
        k: [] for k in ("found", "missed", "weak_found", "weak_missed", "extras", "undecided", "samples", "says")
    }
    for i, true in enumerate(truth.features):
        if true["optional"]:
            continue
        out[("weak_" if true["weak"] else "") + ("found" if i in hit else "missed")].append(true["kind"])
        if i not in hit:
            out["says"].append(("missed (weak) " if true["weak"] else "missed ") + _true_says(true, truth))
    for j, one in enumerate(part.features):
        if "undecided" in one.flags:
            out["undecided"].append(one.kind)
        if j not in used and not _is_optional(one, truth):
            doubtful = "undecided" in one.flags
            if not doubtful:
                out["extras"].append(one.kind)
            out["says"].append(("undecided " if doubtful else "extra ") + _found_says(one, truth))
    for i, j in pairs:
        one = part.features[j]
        if truth.features[i]["optional"] and not truth.features[i]["insert"]:
            continue
        out["samples"] += _samples(truth.features[i], one, truth, bool(set(one.flags) - NEUTRAL), direction)
        if truth.features[i].get("teeth") is not None:
            out.setdefault("teeth", []).append(_count_of(one, truth.features[i], truth.px_mm))
    if part.axis is not None and truth.features:
        off = float(np.degrees(np.linalg.norm(np.array(part.axis.direction_xyz) - np.array(direction))))
        out["samples"].append({
            "quantity": "axis", "error": off, "u": part.axis.direction_u_deg, "group": "axis", "worn": False, "weak": False,
            "flagged": False, "role": "",
        })  # fmt: skip
    out["pieces"] = (
        _pieces(truth, part)
        if truth.pieces
        else {"right": not part.pieces, "false_separate": False, "undecided": False}
    )
    out["seams"] = _seams(truth, part, hit)
    # a seam that was not told is no fault where the record says rightly that such a one would not show
    seams = out["seams"]
    out["pieces"]["honest"] = out["pieces"]["right"] or (
        0 < seams["of"] == seams["told"] + seams["limit_true"] and not any(k.endswith("_seam") for k in out["extras"])
    )
    out["empty"] = not part.features
    return out


def _count_of(one: Feature, true: dict[str, Any], px: float) -> dict[str, Any]:
    """Return what a record says of the count of a wheel, beside the truth."""
    return {
        "said": one.teeth, "true": true["teeth"], "range": one.teeth_range, "odds": one.teeth_odds, "kind": one.kind,
        "pitch_px": float(np.pi * true.get("tip_diameter_mm", true.get("diameter_mm")) / px / true["teeth"]), "arc_deg": one.arc_deg,
        "limit": {
            name: [
                (value.value - true[f"{name}_diameter_mm"]) / px,
                one.budget.get(f"{name}_diameter_mm", {}).get("noise", 0.0) / px,
            ]
            for name, value in (("tip", one.tip_diameter_mm), ("root", one.root_diameter_mm)) if value is not None
        },
        "why": one.unknown.get("teeth", ""),
    }  # fmt: skip


def _is_optional(one: Feature, truth: Scanned) -> bool:
    """Whether a feature stands for something whose kind the record does not know, or that hardly a slice shows."""
    px = truth.px_mm
    for true in truth.features:
        if true["optional"] and one.x_mm is not None and one.y_mm is not None and family(one.kind)[1] == family(true["kind"])[1]:
            size, want = _size_px(one, px), true.get("diameter_mm", true.get("flats_mm"))
            near = np.hypot(one.x_mm.value - true["x_mm"], one.y_mm.value - true["y_mm"]) <= PLACE * px
            alike = want is None or (size is not None and abs(size - want / px) <= SIZE[0])
            if near and alike and _share(true, one, truth) > 0:
                return True
    return False
