"""What the widgets say of features and pieces: value and U in one line, told without colour."""

from collections.abc import Iterator

from ctrecon.core.measured import Measured, decimals_for, expanded, format_u, format_value
from ctrecon.record.part import Evidence, Feature, Part, scale_u_of
from ctrecon.record.sensitivity import expanded_of
from ctrecon.widgets.curves import slices_of

__all__ = ["evidence_slices", "feature_label", "feature_says", "number_with_u", "quantity_lines"]

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
