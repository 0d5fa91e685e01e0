"""Stock and schemes as the report prints them: plain text, rounded by the one rule."""

from dataclasses import dataclass

from ctrecon.core.measured import Measured, decimals_for, expanded, format_percent, format_short, format_u, format_value
from ctrecon.record.part import Part, scale_u_along
from ctrecon.workshop.intended import Scheme, schemes
from ctrecon.workshop.stock import stock_of_pieces

__all__ = ["IntendedRow", "StockRow", "intended_rows", "stock_rows"]

_WORDS = {
    "one_drill": "one drill", "one_square_hole": "one square for the holes", "one_square": "one square",
    "one_divider_setting": "one divider setting", "one_sheet": "one sheet",
    "equal_division": "even division of a circle",
    "circle_of_holes": "holes on one circle", "even_pitch": "even pitch in line", "in_line": "holes in line",
    "symmetric": "symmetric about a line", "common_quantum": "a common quantum", "round_mm": "round numbers, mm",
    "round_inch": "round numbers, inch",
}  # fmt: skip
_MOST_ODDS = 1e6


@dataclass(frozen=True)
class StockRow:
    """A piece, its thickness as found (with U), what it may have been cut from with its chance, and the verdict."""

    piece: str
    name: str
    thickness: str
    matches: tuple[tuple[str, str], ...]
    verdict: str


@dataclass(frozen=True)
class IntendedRow:
    """A scheme: its words, the figures as found, the setting as intended, its odds, its sentence."""

    words: str
    found: tuple[str, ...]
    intended: tuple[str, ...]
    odds: str
    says: str


def _text(value: Measured, scale: float | None) -> str:
    spread = expanded(value, scale)
    digits = decimals_for(spread)
    u = format_u(spread, digits)
    return f"{format_value(value.value, digits)} mm" + (f" (U {u})" if u else "")


def stock_rows(part: Part) -> tuple[StockRow, ...]:
    """Return the rows of the table of stock, one a piece."""
    scale = scale_u_along(part, "along")
    out = []
    for one in stock_of_pieces(part):
        matches = tuple((match.says, _percent(match.probability)) for match in one.matches)
        thickness = "" if one.thickness is None else _text(one.thickness, scale)
        out.append(StockRow(one.piece, one.name, thickness, matches, one.says))
    return tuple(out)


def intended_rows(part: Part) -> tuple[IntendedRow, ...]:
    """Return the rows of the table of schemes, the best odds first."""
    return tuple(_row(part, one) for one in schemes(part))


def _row(part: Part, scheme: Scheme) -> IntendedRow:
    across, along = scale_u_along(part, "across"), scale_u_along(part, "along")
    found = tuple(
        f"{words} {_text(size, along if words.startswith('thickness') else across)}"
        for words, size in zip(scheme.figures, scheme.found, strict=True)
    )
    scale = along if scheme.kind in ("one_sheet", "common_quantum") else across
    intended = scheme.meant or (() if scheme.value is None else (_text(scheme.value, scale),))
    odds = format_short(scheme.odds, 2)
    odds = odds if scheme.odds < 100 else format_value(float(odds), 0)
    shown = "over a million to 1" if scheme.odds > _MOST_ODDS else f"{odds} to 1"
    return IntendedRow(_WORDS.get(scheme.kind, scheme.kind), found, intended, shown, scheme.says)


def _percent(chance: float) -> str:
    return format_percent(chance) if chance >= 0.01 else "<1 %"
