"""A feature under another kind: with the sizes it has, or those of an alternative the scan allowed."""

from dataclasses import replace

from ctrecon.core.errors import InputError
from ctrecon.core.measured import Measured
from ctrecon.record.kinds import KINDS, REQUIRED
from ctrecon.record.part import Feature

__all__ = ["possible_kinds", "with_kind"]

_SIZES = tuple(sorted({name for names in REQUIRED.values() for name in names}))


def _sizes_for(feature: Feature, kind: str) -> dict[str, object] | None:
    """Return what the kind must carry, from the feature itself or its alternatives; None where something is missing."""
    own = {name: getattr(feature, name) for name in REQUIRED[kind]}
    if all(value is not None or name in feature.unknown for name, value in own.items()):
        return own
    for other in feature.alternatives:
        if other.kind != kind:
            continue
        found: dict[str, object] = {}
        unsaid = {}
        for name, value in own.items():
            raw = other.sizes.get(name)
            if name == "sides" and raw is not None:
                found[name] = round(raw)
            elif name == "flats_pair_mm" and {"longer_mm", "shorter_mm"} <= set(other.sizes):
                found[name] = tuple(Measured(other.sizes[one]) for one in ("longer_mm", "shorter_mm"))
            elif raw is not None:
                found[name] = Measured(float(raw))
            elif value is not None:
                found[name] = value
            elif name == "turn_deg":
                found[name], unsaid[name] = None, "the scan was fitted with another shape, which has no turn"
            else:
                return None
        return found | ({"unknown": {**feature.unknown, **unsaid}} if unsaid else {})
    return None


def possible_kinds(feature: Feature) -> tuple[str, ...]:
    """Return the kinds a feature can be called by, besides its own: those whose sizes it carries.

    Examples
    --------
    >>> bore = Feature(id="F1", kind="round_hole", diameter_mm=Measured(3.0, 0.01))
    >>> possible_kinds(bore)
    ('round_outside',)
    """
    return tuple(kind for kind in KINDS if kind != feature.kind and _sizes_for(feature, kind) is not None)


def with_kind(feature: Feature, kind: str) -> Feature:
    """Return the feature under another kind, flagged.

    Sizes it had stay as measured; those of an alternative come without u, and the basis is `inferred`.

    Raises
    ------
    InputError
        If the scan holds no sizes for that kind.
    """
    if kind == feature.kind:
        raise InputError(f"{feature.id} is a {kind.replace('_', ' ')} already; choose another kind")
    sizes = _sizes_for(feature, kind)
    if sizes is None:
        offered = ", ".join(one.replace("_", " ") for one in possible_kinds(feature)) or "nothing else"
        raise InputError(
            f"{feature.id} has no sizes of a {kind.replace('_', ' ')}; it can become {offered}, "
            "or be rejected and added again by points"
        )
    own = all(value == getattr(feature, name) for name, value in sizes.items())
    dropped = {name: None for name in REQUIRED[feature.kind] if name not in sizes and name in _SIZES}
    return replace(
        feature, kind=kind, basis=feature.basis if own else "inferred",
        flags=tuple(dict.fromkeys((*feature.flags, "kind_stated"))), **(dropped | sizes),  # type: ignore[arg-type]
    )  # fmt: skip
