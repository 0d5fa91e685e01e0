"""Taper pins by size and length as listed: ISO 2339 (1:50, small end) and ASME B18.8.2 (1:48, large end)."""

from dataclasses import dataclass
from functools import cache

from ctrecon.core.errors import InputError
from ctrecon.core.measured import format_short
from ctrecon.workshop.tables import read_table

__all__ = ["PIN_STANDARDS", "ListedLength", "TaperPin", "listed_lengths", "pin_named", "taper_pins"]

PIN_STANDARDS: dict[str, str] = {"iso": "ISO 2339", "inch": "ASME B18.8.2"}
"""The lists of taper pins by their key, with the standard that holds them."""

_INCH_MM = 25.4
_TAPER = {"iso": 50.0, "inch": 48.0}


@dataclass(frozen=True)
class ListedLength:
    """A listed length of pin (mm) and plus or minus how much it may be off; None where the list does not say."""

    label: str
    length_mm: float
    tolerance_mm: float | None


@dataclass(frozen=True)
class TaperPin:
    """One listed size of taper pin.

    Parameters
    ----------
    standard : str
        Key of `PIN_STANDARDS`.
    name : str
        Its name in the list: ``2`` (mm) or ``6/0``.
    basic_mm : float
        The diameter that names it: at the small end (iso), at the large end (inch).
    taper : float
        K of the taper 1:K on diameter.
    tolerance_mm : float or None
        How far below its basic diameter the pin may be (h10); None where the list does not say.
    """

    standard: str
    name: str
    basic_mm: float
    taper: float
    tolerance_mm: float | None

    def __str__(self) -> str:
        return f"{PIN_STANDARDS[self.standard]} {f'No. {self.name}' if self.standard == 'inch' else f'{self.name} mm'}"

    def small_end_mm(self, length_mm: float) -> float:
        """Return the diameter (mm) at the small end of a pin of this length."""
        return self.basic_mm if self.standard == "iso" else self.basic_mm - length_mm / self.taper

    def large_end_mm(self, length_mm: float) -> float:
        """Return the diameter (mm) at the large end of a pin of this length."""
        return self.basic_mm + length_mm / self.taper if self.standard == "iso" else self.basic_mm


def _known(standard: str) -> None:
    if standard not in PIN_STANDARDS:
        raise InputError(f"there is no list of taper pins called {standard!r}; choose from {', '.join(PIN_STANDARDS)}")


@cache
def taper_pins(standard: str = "iso") -> tuple[TaperPin, ...]:
    """Return the listed sizes of taper pins, thinnest first.

    Parameters
    ----------
    standard : str
        Key of `PIN_STANDARDS`.

    Examples
    --------
    >>> round(taper_pins("iso")[7].large_end_mm(30), 3), taper_pins("inch")[1].name
    (3.6, '6/0')
    """
    _known(standard)
    taper = _TAPER[standard]
    if standard == "iso":
        rows = read_table("taper_pins_iso")[1]
        sizes = [(row["small_end_mm"], float(row["small_end_mm"]), float(row["h10_um"]) / 1000) for row in rows]
        return tuple(TaperPin(standard, name, mm, taper, h10) for name, mm, h10 in sizes)
    rows = read_table("taper_pins_inch")[1]
    return tuple(TaperPin(standard, row["label"], float(row["inch"]) * _INCH_MM, taper, None) for row in rows)


def pin_named(name: str, standard: str = "iso") -> TaperPin:
    """Return a listed pin by its name.

    Parameters
    ----------
    name : str
        ``1.5`` or ``1.5 mm`` (iso), ``6/0`` or ``No. 6/0`` (inch).
    standard : str
        Key of `PIN_STANDARDS`.

    Raises
    ------
    InputError
        If the list has no such pin.

    Examples
    --------
    >>> round(pin_named("No. 6/0", "inch").basic_mm, 4)
    1.9812
    """
    text = name.strip().lower().removeprefix("no.").removesuffix("mm").strip()
    for one in taper_pins(standard):
        if one.name == text or (standard == "iso" and text == format_short(one.basic_mm)):
            return one
    listed = ", ".join(one.name for one in taper_pins(standard))
    raise InputError(f"{PIN_STANDARDS[standard]} lists no taper pin {name!r}; choose from {listed}")


@cache
def listed_lengths(standard: str = "iso") -> tuple[ListedLength, ...]:
    """Return the listed lengths of taper pins, shortest first.

    Parameters
    ----------
    standard : str
        Key of `PIN_STANDARDS`.

    Examples
    --------
    >>> [one.label for one in listed_lengths("iso")[:4]]
    ['2 mm', '3 mm', '4 mm', '5 mm']
    """
    _known(standard)
    if standard == "iso":
        rows = read_table("taper_pin_lengths_iso")[1]
        return tuple(
            ListedLength(f"{row['length_mm']} mm", float(row["length_mm"]), float(row["tolerance_mm"])) for row in rows
        )
    rows = read_table("taper_pin_lengths_inch")[1]
    return tuple(ListedLength(f"{row['label']} in", float(row["inch"]) * _INCH_MM, None) for row in rows)
