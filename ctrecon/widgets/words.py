"""What the widgets say of features and pieces: value and U in one line, told without colour."""

import math
from collections.abc import Iterator

from ctrecon.core.errors import InputError
from ctrecon.core.measured import Measured, decimals_for, expanded, format_percent, format_u, format_value
from ctrecon.record.kinds import kind_of
from ctrecon.record.part import Evidence, Feature, Part, Piece, scale_u_of
from ctrecon.record.sensitivity import expanded_of
from ctrecon.widgets.curves import slices_of

__all__ = [
    "evidence_slices", "evidence_strength", "feature_label", "feature_says", "first_size", "found_layout",
    "number_with_u", "odds_says", "quantity_lines", "scale_says", "verdict_says",
]  # fmt: skip

_SIZES = (
    ("diameter_mm", "diameter", "mm"), ("flats_mm", "across flats", "mm"), ("flats_pair_mm", "across flats", "mm"),
    ("tip_diameter_mm", "over the tips", "mm"), ("root_diameter_mm", "over the roots", "mm"),
    ("inner_diameter_mm", "inside the ring", "mm"), ("pitch_deg", "tooth pitch", "°"),
    ("area_mm2", "area", "mm²"), ("seam_mm", "gap", "mm"), ("turn_deg", "turned", "°"), ("length_mm", "length", "mm"),
    ("depth_from_mm", "from depth", "mm"), ("depth_to_mm", "to depth", "mm"),
)  # fmt: skip


def number_with_u(part: Part, name: str, one: Measured, unit: str = "mm", *, of: Feature | None = None) -> str:
    """Return value and U (k = 2), rounded by the one rule; of a feature with what an unknown grey scale adds.

    Examples
    --------
    >>> from ctrecon.record.part import StackInfo
    >>> info = StackInfo(source="s", slices=9, rows=9, columns=9, voxel_mm=(.1, .1, .1), scale_basis="file")
    >>> number_with_u(Part(name="p", made_with="", stack=info, axis=None), "diameter_mm", Measured(2.39993, 0.00044))
    '2.3999 mm, U 0.0009 mm'
    """
    u = expanded(one, scale_u_of(part, name)) if of is None else expanded_of(part, of, name, one)
    decimals = decimals_for(u)
    shown = f"{format_value(one.value, decimals)} {unit}"
    return shown + (f", U {format_u(u, decimals)} {unit}" if u is not None else ", U unknown")


def quantity_lines(part: Part, feature: Feature) -> Iterator[tuple[str, str]]:
    """Yield (what, value and U) of every size of a feature; what is unknown, with its reason."""
    for name, label, unit in _SIZES:
        raw = getattr(feature, name)
        if raw is None:
            if name in feature.unknown:
                yield label, f"unknown: {feature.unknown[name]}"
            continue
        if name == "flats_pair_mm" and feature.flats_mm is not None:
            continue
        for one in raw if isinstance(raw, tuple) else (raw,):
            yield label, number_with_u(part, name, one, unit, of=feature)


def feature_label(feature: Feature) -> str:
    """Return how a feature stands in a list: id, kind, its name, and whether it was accepted.

    Examples
    --------
    >>> feature_label(Feature(id="F3", kind="round_hole", name="pin hole", accepted=True))
    'F3 round hole, pin hole (accepted)'
    """
    name = f", {feature.name}" if feature.name else ""
    return f"{feature.id} {feature.kind.replace('_', ' ')}{name}{' (accepted)' if feature.accepted else ''}"


def feature_says(part: Part, feature: Feature) -> str:
    """Return the main size of a feature with its U, in one line."""
    first = next(iter(quantity_lines(part, feature)), ("", "no size"))
    return f"{feature_label(feature)}: {first[0]} {first[1]}, {feature.basis}"


def evidence_slices(part: Part, evidence: Evidence) -> tuple[int, ...]:
    """Return the slices on which a reason can be checked: first, middle and last of its features.

    Empty where it names no feature: then every slice shows it alike.
    """
    known = [one for one in part.features if one.id in evidence.features]
    if not known:
        return ()
    spans = [one.slices_used or slices_of(part, one) for one in known[:1]]
    low, high = min(one[0] for one in spans), max(one[1] for one in spans)
    return tuple(dict.fromkeys((low, (low + high) // 2, high)))


_STRENGTHS = ((150.0, "very strong"), (20.0, "strong"), (3.0, "fair"), (0.0, "weak"))
"""From which odds on a reason is called so (R. E. Kass and A. E. Raftery, Bayes factors, JASA 90 (1995) 773; from
memory)."""


def odds_says(ln_odds: float) -> str:
    """Return odds as they are spoken, from their natural logarithm.

    Examples
    --------
    >>> odds_says(5.86), odds_says(-0.79), odds_says(30.0)
    ('about 350 to 1', 'about 2.2 to 1', 'over a million to 1')
    """
    odds = math.exp(min(abs(ln_odds), 50.0))
    if odds > 1e6:
        return "over a million to 1"
    figures = max(0, 1 - math.floor(math.log10(odds)))
    rounded = round(odds, 1 - math.floor(math.log10(odds)))
    return f"about {format_value(rounded, figures)} to 1"


def evidence_strength(evidence: Evidence) -> str:
    """Return how much a reason counts in words, with the odds beside them; empty for a remark."""
    if evidence.weight == 0:
        return ""
    odds = math.exp(min(abs(evidence.weight), 50.0))
    word = next(word for least, word in _STRENGTHS if odds >= least)
    side = "for more than one piece" if evidence.weight > 0 else "for one piece"
    return f"{word}, {odds_says(evidence.weight)} {side}"


def verdict_says(piece: Piece) -> str:
    """Return what is held of a piece, with the chance the scan gives it."""
    says = {"separate": "a piece of its own", "one_piece": "one piece of metal", "undecided": "can't be told"}
    chance = piece.probability_separate
    if chance is None:
        why = piece.unknown.get("probability_separate", "")
        return f"{piece.id} {piece.name}: {says[piece.verdict]}" + (f" ({why})" if why else "")
    return f"{piece.id} {piece.name}: {says[piece.verdict]}; chance of more than one piece {format_percent(chance, 1)}"


def scale_says(part: Part) -> str:
    """Return where the scale is from, and whether U holds what is not known of it."""
    where = {
        "file": "The voxel size is the one in the files", "stated": "The voxel size was stated by a person",
        "calibrated": "The voxel size follows from known lengths",
    }.get(part.stack.scale_basis, f"The voxel size is {part.stack.scale_basis}")
    if part.calibration is not None or all(one is not None for one in part.stack.scale_u_rel):
        return f"{where}; U (k = 2) holds what is not known of it."
    return f"{where}; how well it is known, nobody said: U (k = 2) is without scale, and all lengths may be off alike."


def first_size(part: Part) -> tuple[Feature, str]:
    """Return the first feature with a size whose u is split by origin, and that size's name.

    Raises
    ------
    InputError
        If the record has none.
    """
    for feature in part.features:
        for name, _, unit in _SIZES:
            one = getattr(feature, name)
            if name in feature.budget and isinstance(one, Measured) and one.u and unit == "mm":
                return feature, name
    raise InputError(f"{part.name}: no size was measured whose uncertainty could be shown; take another part")


_DISTANCES = ("centre_distance", "centre_distance_flat")
_TURNS = ("flats_square", "flats_parallel", "equal_turn")
_EDGE_VOXELS = 0.4
"""A flat out of true by less than this at its end is not called so: either flat's edge may be off by 0.2 voxel before
it counts, as where the record is held against the scan."""


def found_layout(part: Part) -> tuple[str, ...]:
    """Return the sentences on patterns and on what is out of true, none of which is within its U."""
    out = []
    for one in part.relations:
        if one.kind in _DISTANCES or (one.value is None and one.margin is None):
            continue
        if one.margin is None:
            assert one.value is not None
            u = expanded(one.value)
            if u is None or abs(one.value.value) <= u or "not significant" in one.says:
                continue
            sizes = [kind_of(f).main_size(f) for f in part.features if f.id in one.features]
            side = min((size for size in sizes if size is not None), default=0.0)
            off = math.radians(abs(one.value.value)) * side / min(part.stack.voxel_mm[1:])
            if one.kind in _TURNS and off < _EDGE_VOXELS:
                continue
        odds = "" if one.margin is None else f" ({odds_says(one.margin)} against chance)"
        out.append(f"{one.says}{odds}")
    return tuple(out)
