"""What all figures share: line styles told apart without colour, plain text, steady SVG."""

import io
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import matplotlib
from matplotlib.figure import Figure
from matplotlib.ft2font import FT2Font

from ctrecon.part import Feature, Part

__all__ = ["ACCENT", "FONT", "INK", "PALE", "SOFT", "LineLook", "kind_words", "line_look", "plain", "to_svg"]

INK, SOFT, PALE, ACCENT = "#1d2329", "#6d7884", "#dfe4e9", "#a8490a"
FONT = "DejaVu Sans"  # comes with matplotlib: the same letters on every machine

# Light tones that keep apart by lightness too (for colour-blind eyes and grey printers);
# on the slices every line has a dark rim, so that it shows on metal and on air.
_COLOURS = ("#ffc233", "#6cc5ff", "#ff8f6b", "#f2f2f2", "#5fd6a0")
_DASHES: tuple[tuple[float, ...], ...] = ((), (5.0, 2.0), (1.2, 1.6), (7.0, 1.6, 1.2, 1.6))


@dataclass(frozen=True, slots=True)
class LineLook:
    """Colour and dashes (points on, off, ...; empty for a whole line) of one feature's curve."""

    colour: str
    dashes: tuple[float, ...]


def line_look(part: Part, ident: str) -> LineLook:
    """Return how the feature is drawn in every figure of this part.

    Neighbours in the list differ in colour and in dashes; after twenty they repeat, and
    the id written beside the curve tells them apart.
    """
    ids = [feature.id for feature in part.features]
    number = ids.index(ident) if ident in ids else len(ids)
    return LineLook(_COLOURS[number % len(_COLOURS)], _DASHES[number % len(_DASHES)])


def kind_words(feature: Feature) -> str:
    """Return the kind as words: 'round_hole' is a 'round hole'."""
    return feature.kind.replace("_", " ")


@cache
def _letters() -> frozenset[int]:
    path = Path(matplotlib.get_data_path(), "fonts", "ttf", "DejaVuSans.ttf")
    return frozenset(FT2Font(str(path)).get_charmap())


def plain(text: str, *, most: int = 48) -> str:
    """Return text that the figures' font can draw: on one line, not endless, '?' for the rest."""
    line = " ".join(text.split())
    drawn = "".join(letter if ord(letter) in _letters() and letter.isprintable() else "?" for letter in line)
    return drawn if len(drawn) <= most else drawn[: most - 1] + "\N{HORIZONTAL ELLIPSIS}"


def to_svg(figure: Figure) -> bytes:
    """Return the figure as SVG: the same bytes every time, letters as curves, no date.

    Parameters
    ----------
    figure : Figure
        As the functions of this package return it.
    """
    out = io.BytesIO()
    with matplotlib.rc_context({"svg.hashsalt": "ctrecon", "svg.fonttype": "path", "path.simplify": True}):
        figure.savefig(out, format="svg", dpi=144, metadata={"Date": None, "Creator": None})
    return out.getvalue()
