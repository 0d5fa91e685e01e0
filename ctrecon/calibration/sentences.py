"""What a calibration did and found, in sentences a maker can check."""

from collections.abc import Sequence

from ctrecon.calibration.known import UNSAID_U_MM, Known
from ctrecon.core.listed import listed
from ctrecon.core.measured import (
    COVERAGE_FACTOR,
    Measured,
    decimals_for,
    format_short,
    format_u,
    format_value,
)
from ctrecon.record.part import KnownSize, Part, Warn

__all__ = ["FAR_OFF", "sentences", "warnings_of"]

FAR_OFF = 0.03
"""A voxel edge that was wrong by more than this share is flagged."""

_ALONG = ("through depth", "down", "across")
_GROUPS = {
    "each": "Depth, down and across each have a factor of their own.",
    "depth": "Depth has a factor of its own; down and across share one, the known sizes do not tell them apart.",
    "plane": "Down and across each have a factor of their own; the known sizes say nothing of depth by itself, so it "
    "takes the mean of both.",
    "one": "Depth, down and across share one factor: the known sizes do not tell them apart.",
}


def _number(value: float, u: float, unit: str = " mm", *, most: int = 4) -> str:
    wide = COVERAGE_FACTOR * u
    digits = decimals_for(wide, most=most)
    return f"{format_value(value, digits)}{unit} (U {format_u(wide, digits)})"


def _factors(factor: tuple[Measured, Measured, Measured], groups: str) -> str:
    shown = [_number(one.value, one.u or 0.0, "", most=6) for one in factor]
    if groups == "one":
        return f"every voxel edge times {shown[0]}"
    if groups == "depth":
        return f"voxel edge {_ALONG[0]} times {shown[0]}, down and across times {shown[1]}"
    return "voxel edge " + ", ".join(f"{way} times {one}" for way, one in zip(_ALONG, shown, strict=True))


def sentences(
    factor: tuple[Measured, Measured, Measured], edge_mm: Measured, sizes: Sequence[KnownSize], *, groups: str,
    edge_u_mm: float, freedom: int, chance: float,
) -> tuple[str, ...]:  # fmt: skip
    """Return how true scale was found: from what, with what result, and what it rests on."""
    used = [one for one in sizes if one.used]
    given = listed([f"{one.name} = {_number(one.value_mm, one.u_mm)}" for one in used])
    out = [f"True scale from known sizes: {given}; {_factors(factor, groups)}. {_GROUPS[groups]}"]
    edge_u = edge_mm.u or 0.0
    if edge_u > 0.7 * edge_u_mm:
        allowed = format_u(COVERAGE_FACTOR * edge_u, decimals_for(COVERAGE_FACTOR * edge_u))
        out.append(
            "These sizes do not settle how far the true edge lies from the one found in the slices; "
            f"{allowed} mm (k = 2) is allowed for at each edge. A bore and an outside known together would settle it."
        )
    elif abs(edge_mm.value) < COVERAGE_FACTOR * edge_u:
        within = format_u(COVERAGE_FACTOR * edge_u, decimals_for(COVERAGE_FACTOR * edge_u))
        out.append(f"The true edge lies where it was found in the slices, within {within} mm (k = 2).")
    else:
        way = "further out of" if edge_mm.value >= 0 else "deeper in"
        out.append(
            f"The true edge lies {_number(abs(edge_mm.value), edge_u)} {way} the metal than the one found in the "
            "slices; sizes are put right by it."
        )
    if freedom > 0 and chance >= 0.01:
        which = "The known sizes agree" if len(used) == len(sizes) else "The known sizes used agree"
        out.append(f"{which} within their U.")
    elif freedom <= 0:
        out.append("Nothing is left to check the known size by; one more would tell a slip of the hand.")
    return tuple(out)


def warnings_of(
    part: Part, factor: tuple[Measured, Measured, Measured], sizes: Sequence[KnownSize], blamed: Sequence[KnownSize],
    known: Sequence[Known],
) -> tuple[Warn, ...]:  # fmt: skip
    """Return what must be looked at before cutting: a scale far off, known sizes that do not agree, u nobody gave."""
    out = []
    worst = max(range(3), key=lambda k: abs(factor[k].value - 1))
    if abs(factor[worst].value - 1) > FAR_OFF:
        old = part.stack.voxel_mm[worst]
        out.append(
            Warn(
                flag="scale_differs",
                says=f"By the known sizes a voxel is {format_short(old * factor[worst].value, 4)} mm long "
                f"{_ALONG[worst]}, but the "
                f"stack was said to have {format_short(old, 4)} mm; so large a difference means a wrong voxel size, "
                f"or a known size "
                "typed for the wrong feature: check both before you cut.",
            )
        )
    if len(blamed) == 1 and not blamed[0].used:
        one = blamed[0]
        out.append(
            Warn(
                flag="known_inconsistent",
                says=f"{one.name} = {_number(one.value_mm, one.u_mm)} does not agree with the other known sizes and "
                f"was left out: by them it is {format_value(one.value_mm - one.residual_mm, 3)} mm; measure it "
                f"again, and look "
                f"whether {one.name} is the one you meant.",
            )
        )
    elif blamed:
        names = listed([one.name for one in blamed])
        if len(sizes) > 1:
            says = (
                f"Among the known sizes at least one of {names} is wrong: no scale and edge fit them together. All "
                "were used and every U was widened; measure them again, and look whether each is the one you meant."
            )
        else:
            says = (
                f"{names} does not agree with the scale stated for the stack. Every U was widened; measure it again, "
                "and look whether it is the one you meant."
            )
        out.append(Warn(flag="known_inconsistent", says=says))
    unsaid = [one.name for one in known if not one.u_stated]
    if unsaid:
        out.append(
            Warn(
                flag="known_u_assumed",
                says=f"No uncertainty was given with {listed(unsaid)}; U {COVERAGE_FACTOR * UNSAID_U_MM:g} mm was "
                "taken, as for a sliding caliper. Give your own, as in F1=12.00±0.02.",
            )
        )
    return tuple(out)
