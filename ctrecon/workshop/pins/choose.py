"""Size and length of a register pin: from the plates it holds and the place there is for it."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import floor, isfinite

from ctrecon.core.errors import InputError
from ctrecon.core.measured import format_short, format_value
from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.pins.tables import ListedLength, TaperPin, listed_lengths, taper_pins
from ctrecon.workshop.pins.tapered import END_ABOVE_MM, SET_BELOW_MM, TaperedHole, engaged_mm, tapered_hole

__all__ = [
    "DEEPEST_DIAMETERS", "ENGAGED_DIAMETERS", "LEAST_ENGAGED_DIAMETERS", "PinChoice", "PinLength", "choose_length",
    "choose_pin",
]  # fmt: skip

ENGAGED_DIAMETERS = 1.5
"""Thickness of plate a pin wants, by its diameter: 1.5 to 2 (from memory, a default only)."""
LEAST_ENGAGED_DIAMETERS = 1.0
"""The same at least, in thin plates (from memory, a default only)."""
DEEPEST_DIAMETERS = 3.0
"""A pin hole goes at most so many diameters deep into a plate (technical sheet of a maker of machine parts)."""
_CUT_STEP_MM = 0.1


@dataclass(frozen=True)
class PinLength:
    """Length of a pin and how it comes about.

    Parameters
    ----------
    length_mm : float
        Length in the hole.
    bought : ListedLength
        The listed length to take.
    cut_mm : float
        How much to cut off it; 0 where it goes as it is.
    cut_end : str
        ``thick`` or ``thin``: the end to cut, so that the listed diameter stays; empty where nothing is cut.
    set_below_mm, end_above_mm : float
        Head below the entry face, end above the far face.
    engagement_mm : tuple of float
        Length of pin inside each plate, entry side first.
    reason : str
        Why this length.
    """

    length_mm: float
    bought: ListedLength
    cut_mm: float
    cut_end: str
    set_below_mm: float
    end_above_mm: float
    engagement_mm: tuple[float, ...]
    reason: str


@dataclass(frozen=True)
class PinChoice:
    """A register pin: its size, length and hole.

    Parameters
    ----------
    pin, length, hole
        What was chosen.
    passed_over : tuple of (TaperPin, str)
        Sizes tried before it, and why not.
    warnings : tuple of str
        What speaks against the user's own size, without making it impossible.
    reason : str
        Why this size.
    """

    pin: TaperPin
    length: PinLength
    hole: TaperedHole
    passed_over: tuple[tuple[TaperPin, str], ...]
    warnings: tuple[str, ...]
    reason: str


def _checked(plates_mm: Sequence[float]) -> tuple[float, ...]:
    plates = tuple(float(one) for one in plates_mm)
    if len(plates) < 2:
        raise InputError("a register pin holds at least two plates; give the thickness of each")
    if not all(isfinite(one) and one > 0 for one in plates):
        raise InputError("a plate's thickness (mm) is to be above 0")
    return plates


# long: half of it documents the call
def choose_length(
    plates_mm: Sequence[float],
    pin: TaperPin,
    *,
    set_below_mm: float = SET_BELOW_MM,
    end_above_mm: float = END_ABOVE_MM,
    stack_U_mm: float = 0.0,
    cut: bool = True,
) -> PinLength:
    """Return the longest pin that ends below the mating face: as listed, or cut from the next longer one.

    Parameters
    ----------
    plates_mm : sequence of float
        Thicknesses (mm), the plate the pin enters first.
    pin : TaperPin
        Its size.
    set_below_mm : float
        Head below the entry face.
    end_above_mm : float
        How far at least the end stays above the far face.
    stack_U_mm : float
        By how much (U, k = 2) the plates may turn out thinner.
    cut : bool
        Whether a pin may be cut where no listed length holds enough of the last plate.

    Raises
    ------
    PlanError
        If no pin reaches the last plate and still ends below its far face.

    Examples
    --------
    >>> from ctrecon.workshop.pins.tables import pin_named
    >>> choose_length([3, 3], pin_named("2"), set_below_mm=0.5).length_mm
    5.0
    """
    plates = _checked(plates_mm)
    stack = sum(plates)
    room = stack - stack_U_mm - set_below_mm - end_above_mm
    joint = stack - plates[-1]
    wanted = min(LEAST_ENGAGED_DIAMETERS * pin.basic_mm, plates[-1] - end_above_mm - stack_U_mm)
    listed = listed_lengths(pin.standard)
    spread = [one.tolerance_mm or 0.0 for one in listed]
    fitting = [
        one for one, more in zip(listed, spread, strict=True)
        if one.length_mm <= room + 1e-9 and one.length_mm + more <= room + end_above_mm + 1e-9
    ]  # fmt: skip
    found = fitting[-1] if fitting else None
    if found and set_below_mm + found.length_mm - joint >= wanted - 1e-9:
        length, bought, cut_end = found.length_mm, found, ""
        how = f"{found.label} is the longest listed length"
    else:
        length = floor(room / _CUT_STEP_MM + 1e-6) * _CUT_STEP_MM
        longer = [one for one in listed if one.length_mm >= length]
        if set_below_mm + length - joint <= 0 or length <= 0:
            raise PlanError(
                f"a pin {format_value(set_below_mm, 2)} mm below the face and {format_value(end_above_mm, 2)} mm above "
                f"the far face does not reach the last plate of {format_value(plates[-1], 2)} mm; "
                "set it nearer to the faces or take other plates"
            )
        if not cut or not longer:
            raise PlanError(
                f"no listed length of {pin} ends above the far face and holds {format_value(wanted, 2)} mm of the last "
                "plate; allow it to be cut"
            )
        bought = longer[0]
        cut_end = "thick" if pin.standard == "iso" else "thin"
        how = f"cut from {bought.label} at the {cut_end} end, for no listed length holds enough of the last plate"
    above = stack - set_below_mm - length
    engaged = engaged_mm(plates, set_below_mm, set_below_mm + length)
    reason = (
        f"{format_value(length, 1)} mm: {how} that ends {format_value(above, 2)} mm above the far face; "
        f"it holds {' and '.join(format_value(one, 2) for one in engaged)} mm of the plates"
        if not cut_end
        else f"{format_value(length, 1)} mm, {how}; it ends {format_value(above, 2)} mm above the far face and "
        f"holds {' and '.join(format_value(one, 2) for one in engaged)} mm of the plates"
    )
    return PinLength(
        round(length, 9), bought, round(bought.length_mm - length, 9) if cut_end else 0.0, cut_end, set_below_mm,
        above, engaged, reason,
    )  # fmt: skip


def _order(plates: Sequence[float], pins: Sequence[TaperPin]) -> list[TaperPin]:
    """Sizes in the order to try: the thickest the plates hold well and thinner ones, then thicker ones."""
    thinnest = min(plates)
    well = [one for one in pins if thinnest >= ENGAGED_DIAMETERS * one.basic_mm - 1e-9]
    return [*reversed(well), *(one for one in pins if one not in well)]


def _objection(plates: Sequence[float], pin: TaperPin) -> str | None:
    thinnest = min(plates)
    if thinnest < LEAST_ENGAGED_DIAMETERS * pin.basic_mm - 1e-9:
        return (
            f"the plate of {format_value(thinnest, 2)} mm holds less than "
            f"{format_short(LEAST_ENGAGED_DIAMETERS)} diameter of it"
        )
    return None


def choose_pin(
    plates_mm: Sequence[float],
    *,
    standard: str = "iso",
    has_place: Callable[[float], str | None] | None = None,
    pin: TaperPin | None = None,
    set_below_mm: float = SET_BELOW_MM,
    end_above_mm: float = END_ABOVE_MM,
    stack_U_mm: float = 0.0,
    series: str | Sequence[str] | None = "metric",
) -> PinChoice:
    """Return the register pin for clamped plates: the thickest they hold well that has its place.

    Parameters
    ----------
    plates_mm : sequence of float
        Thicknesses (mm), the plate the pin enters first.
    standard : str
        Key of `PIN_STANDARDS`.
    has_place : callable, optional
        Given the pin's largest diameter (mm), returns None where there is a place for pins of that size, or why there
        is none.
    pin : TaperPin, optional
        The user's own size: no other is tried. It is checked all the same, and what only goes against a rule of thumb
        is a warning.
    set_below_mm, end_above_mm, stack_U_mm : float
        As for `choose_length`.
    series : str or sequence of str, optional
        Series of drills at hand.

    Raises
    ------
    PlanError
        If no size will do, with the reason of the last one tried.

    Examples
    --------
    >>> choice = choose_pin([1.5, 1.5])
    >>> choice.pin.name, round(choice.length.length_mm, 2)
    ('1', 2.5)
    """
    plates = _checked(plates_mm)
    passed: list[tuple[TaperPin, str]] = []
    tried = [pin] if pin is not None else _order(plates, taper_pins(standard))
    for one in tried:
        why = _objection(plates, one)
        warnings = (f"{one}: {why}",) if why and pin is not None else ()
        if why is None or warnings:
            why = None
            try:
                length = choose_length(
                    plates, one, set_below_mm=set_below_mm, end_above_mm=end_above_mm, stack_U_mm=stack_U_mm
                )
                hole = tapered_hole(
                    plates, small_end_mm=one.small_end_mm(length.length_mm), length_mm=length.length_mm,
                    taper=one.taper, set_below_mm=set_below_mm, series=series,
                )  # fmt: skip
            except PlanError as refused:
                why = str(refused)
            else:
                why = has_place(hole.entry_mm) if has_place else None
        if why is None:
            return PinChoice(one, length, hole, tuple(passed), warnings, _why(plates, one, passed, own=pin is not None))
        passed.append((one, why))
    # sizes the plates can't hold say less than the smallest that had no place
    held = [(one, why) for one, why in passed if _objection(plates, one) is None] or passed
    size, why = min(held, key=lambda each: each[0].basic_mm)
    raise PlanError(f"no register pin will do: even {size} fails, for {why}" if pin is None else f"{size}: {why}")


def _why(plates: Sequence[float], pin: TaperPin, passed: Sequence[tuple[TaperPin, str]], *, own: bool) -> str:
    thinnest, thickest = min(plates), max(plates)
    held = format_value(thinnest / pin.basic_mm, 2)
    grip = f"the thinnest plate of {format_value(thinnest, 2)} mm holds {held} diameters"
    reason = f"{pin}: {grip}"
    if own:
        reason = f"{pin} as given: {grip}"
    elif thinnest >= ENGAGED_DIAMETERS * pin.basic_mm - 1e-9:
        reason += f", {format_short(ENGAGED_DIAMETERS)} being wanted"
    else:
        reason += f", fewer than the {format_short(ENGAGED_DIAMETERS)} wanted, but none thinner will do"
    if thickest > DEEPEST_DIAMETERS * pin.basic_mm:
        reason += (
            f"; the plate of {format_value(thickest, 2)} mm is more than {format_short(DEEPEST_DIAMETERS)} diameters "
            "deep: open it from the far side so that only that much is cut tapered"
        )
    bigger = [each for each in passed if each[0].basic_mm > pin.basic_mm]
    if bigger and not own:
        reason += f"; {bigger[-1][0]} passed over: {bigger[-1][1]}"
    return reason
