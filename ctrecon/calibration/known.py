"""Sizes of the real part that a person types in: how they are written, and which quantity each one means."""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ctrecon.core.errors import InputError
from ctrecon.core.frames import Floats
from ctrecon.core.measured import COVERAGE_FACTOR, Measured, decimals_for, expanded, format_value
from ctrecon.core.numbers import LEAST_MM, unusable_numbers
from ctrecon.record.kinds import KINDS, kind_of, kind_words
from ctrecon.record.part import Feature, Part, depths_in_part_frame, place_in_part_frame
from ctrecon.record.sensitivity import normal_at, quantities

__all__ = ["UNSAID_U_MM", "Known", "Reading", "parse_known", "parse_knowns", "read_known"]

UNSAID_U_MM = 0.02
"""Standard uncertainty (mm) of a known size typed without one: a sliding caliper in practised hands (common
practice, no source)."""

_SIZES = {size.typed: size.quantity for kind in KINDS.values() for size in kind.sizes} | {"length": "length_mm"}
"""What may stand after the point of ``F3.length``."""

_FORM = "F1=12.00±0.02, F3.length=4.5±0.05 or, between two axes, F1:F4=30.00±0.02"
_PATTERN = re.compile(
    r"\s*(?P<one>[A-Za-z]+\d+)\s*(?:\.\s*(?P<size>[a-z]+[12]?)|:\s*(?P<other>[A-Za-z]+\d+))?\s*"
    r"=\s*(?P<value>[^\s±+]+?)\s*(?:mm)?\s*(?:(?:±|\+/?-)\s*(?P<u>[^\s]+?)\s*(?:mm)?)?\s*"
)
_MOST_LISTED = 12


@dataclass(frozen=True, kw_only=True)
class Known:
    """One size known from the part itself.

    Parameters
    ----------
    feature : str
        Id of the feature.
    value_mm : float
        The size, mm.
    u_mm : float
        One standard uncertainty (k = 1), mm.
    size : str or None
        Which size of the feature (``length``, ``diameter`` ...); None is its main size.
    other : str or None
        Id of a second feature: then the size is the distance of the two axes.
    u_stated : bool
        Whether the uncertainty was given; False where the usual one was put in.

    Raises
    ------
    InputError
        If value or uncertainty is not a length.
    """

    feature: str
    value_mm: float
    u_mm: float = UNSAID_U_MM
    size: str | None = None
    other: str | None = None
    u_stated: bool = True

    def __post_init__(self) -> None:
        numbers = {"size": self.value_mm, "uncertainty": self.u_mm}
        for fault in unusable_numbers(numbers, f"known size {self.name}"):
            raise InputError(fault)
        for what, number in numbers.items():
            if number < LEAST_MM:
                least = f"must be above 0 mm ({LEAST_MM:g} or more)"
                raise InputError(f"known size {self.name}: the {what} {least}, not {number:g}; mend it")

    @property
    def name(self) -> str:
        """The quantity as it is typed: ``F3``, ``F3.length`` or ``F1:F4``."""
        return f"{self.feature}:{self.other}" if self.other else self.feature + (f".{self.size}" if self.size else "")


def parse_known(text: str) -> Known:
    """Read ``FEATURE=VALUE±U``, where U is what tables print: two standard uncertainties (k = 2).

    ``+-`` and ``+/-`` do as well as ``±``.

    Raises
    ------
    InputError
        If the text cannot be read.

    Examples
    --------
    >>> parse_known("F3.length=4.5 +/- 0.04").u_mm
    0.02
    """
    found = _PATTERN.fullmatch(text)
    if found is None:
        raise InputError(f"known size '{text}' cannot be read; write it like {_FORM}")
    numbers = []
    for part in (found["value"], found["u"]):
        try:
            numbers.append(None if part is None else float(part))
        except ValueError:
            hint = "use a point, not a comma" if "," in part else f"write it like {_FORM}"
            raise InputError(f"known size '{text}': '{part}' is not a number of mm; {hint}") from None
    value, wide = numbers
    assert value is not None
    size = found["size"]
    if size is not None and size not in _SIZES:
        raise InputError(f"known size '{text}': '{size}' is not a size; choose one of {', '.join(_SIZES)}")
    return Known(
        feature=found["one"].upper(), value_mm=value, u_mm=UNSAID_U_MM if wide is None else wide / COVERAGE_FACTOR,
        size=size, other=None if found["other"] is None else found["other"].upper(), u_stated=wide is not None,
    )  # fmt: skip


def parse_knowns(given: Sequence[Known | str]) -> tuple[Known, ...]:
    """Read known sizes that are to be used together; see `parse_known`.

    Raises
    ------
    InputError
        If one cannot be read, or the same size is given twice.
    """
    known = tuple(parse_known(one) if isinstance(one, str) else one for one in given)
    names = [one.name for one in known]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise InputError(f"known size {twice} is given twice; give the mean of both once, with its own uncertainty")
    return known


@dataclass(frozen=True, eq=False)
class Reading:
    """What the record says of a known size: its value, how it answers, and which measurements it hangs on.

    `parts` maps (feature id, quantity) to the share of that quantity in the value; `own_u_mm` is
    what no listed quantity carries.
    """

    value_mm: float
    edge: float
    scale: Floats
    parts: dict[tuple[str, str], float]
    own_u_mm: float


def read_known(part: Part, known: Known) -> Reading:
    """Find the quantity that a known size means.

    Raises
    ------
    InputError
        If the record has no such feature or size, or it was not measured.
    """
    one = _feature(part, known, known.feature)
    if known.other is not None:
        return _distance(part, known, one, _feature(part, known, known.other))
    name = _quantity(part, known, one)
    found = quantities(one)
    measured = found[name]
    if one.basis != "measured" or measured.u is None:
        raise InputError(
            f"known size {known.name}: this size of {one.id} was not measured (basis {one.basis}), so it says nothing "
            "of the scale; take a measured one"
        )
    sensitivity = one.sensitivity[name]
    parts = {(one.id, name): 1.0}
    if name == "flats_mm" and "flats_pair_mm_1" in found:
        parts = {(one.id, "flats_pair_mm_1"): 0.5, (one.id, "flats_pair_mm_2"): 0.5}
    return Reading(measured.value, sensitivity.edge, np.array(sensitivity.scale), parts, 0.0)


def _feature(part: Part, known: Known, ident: str) -> Feature:
    try:
        return part.feature(ident)
    except KeyError:
        raise InputError(
            f"known size {known.name}: there is no {ident} in {part.name}; it has {_candidates(part)}"
        ) from None


def _shown(measured: Measured) -> str:
    return format_value(measured.value, min(3, decimals_for(expanded(measured))))


def _sizes_of(feature: Feature) -> list[tuple[str, Measured]]:
    found = [(size.typed, measured) for size, measured in kind_of(feature).known(feature)]
    return found if feature.length_mm is None else [*found, ("length", feature.length_mm)]


def _candidates(part: Part) -> str:
    listed = []
    for one in part.features[:_MOST_LISTED]:
        sizes = ", ".join(f"{name} {_shown(measured)}" for name, measured in _sizes_of(one))
        listed.append(f"{one.id} {kind_words(one)} ({sizes or 'no size'})")
    more = len(part.features) - len(listed)
    return ", ".join(listed) + (f" and {more} more" if more > 0 else "") or "no features"


def _quantity(part: Part, known: Known, feature: Feature) -> str:
    found = dict(_sizes_of(feature))
    if known.size is not None:
        if _SIZES[known.size] in {_SIZES[name] for name in found}:
            return _SIZES[known.size]
        why = f"has no {known.size}"
    else:
        main = kind_of(feature).main_sizes(feature)
        if main and not kind_of(feature).has_side_pair:
            return main[0][0].quantity
        why = "has no single main size"
    offered = ", ".join(f"{feature.id}.{name} ({_shown(one)})" for name, one in found.items())
    raise InputError(
        f"known size {known.name}: {feature.id} in {part.name} {why}; "
        + (f"it has {offered}" if offered else "take another feature")
    )


def _distance(part: Part, known: Known, one: Feature, other: Feature) -> Reading:
    """Distance of two axes in the part frame, square to the part axis at each feature's mid depth."""
    for feature in (one, other):
        if feature.x_mm is None or feature.y_mm is None or feature.x_mm.u is None or feature.y_mm.u is None:
            raise InputError(f"known size {known.name}: the place of {feature.id} was not measured; take another one")
    places = [np.array(place_in_part_frame(part, feature)) for feature in (one, other)]
    across = places[1] - places[0]
    distance = float(np.hypot(*across))
    if distance < min(part.stack.voxel_mm[1:]):
        raise InputError(
            f"known size {known.name}: the two axes lie {format_value(distance, 3)} mm apart, so one can't be told "
            f"from the other; "
            "a centre distance needs two places"
        )
    direction = np.array([0.0, 0.0, 1.0] if part.axis is None else part.axis.direction_xyz)
    normal = normal_at(direction, math.degrees(math.atan2(across[1], across[0])))
    parts = {(feature.id, name): sign * float(normal[k]) for feature, sign in ((one, -1.0), (other, 1.0))
             for k, name in enumerate(("x_mm", "y_mm"))}  # fmt: skip
    lean = 0.0 if part.axis is None or part.axis.direction_u_deg is None else math.radians(part.axis.direction_u_deg)
    deeper = abs(sum(depths_in_part_frame(part, one)) - sum(depths_in_part_frame(part, other))) / 2
    return Reading(distance, 0.0, (np.asarray(normal) ** 2)[::-1] * distance, parts, lean * deeper)
