"""What all figures share: line styles told apart without colour, plain text, steady SVG."""

import io
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, cast

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import RendererSVG
from matplotlib.colorbar import Colorbar
from matplotlib.figure import Figure
from matplotlib.ft2font import FT2Font
from matplotlib.image import AxesImage

from ctrecon.record.part import Part

__all__ = [
    "ACCENT", "FONT", "INK", "PALE", "SOFT", "LineLook", "grey_bar", "line_look", "plain", "to_svg",
]  # fmt: skip

INK, SOFT, PALE, ACCENT = "#1d2329", "#6d7884", "#dfe4e9", "#a8490a"
_IMAGE_DPI = 144  # finer pictures are reduced to this
_SMOOTH = "smooth"
_IN_SQUARES = ' style="image-rendering:crisp-edges;image-rendering:pixelated"'
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

    The look goes with the number in its id, so that it stays when another feature is rejected. Neighbours in the list
    differ in colour and in dashes; after twenty they repeat, and the id written beside the curve tells them apart.
    """
    ids = [feature.id for feature in part.features]
    number = int(ident[1:]) - 1 if ident[1:].isdigit() else ids.index(ident) if ident in ids else len(ids)
    return LineLook(_COLOURS[number % len(_COLOURS)], _DASHES[number % len(_DASHES)])


@cache
def _letters() -> frozenset[int]:
    path = Path(matplotlib.get_data_path(), "fonts", "ttf", "DejaVuSans.ttf")
    return frozenset(FT2Font(str(path)).get_charmap())


def plain(text: str, *, most: int = 48) -> str:
    """Return text that the figures' font can draw: on one line, not endless, '?' for the rest."""
    line = " ".join(text.split())
    drawn = "".join(letter if ord(letter) in _letters() and letter.isprintable() else "?" for letter in line)
    return drawn if len(drawn) <= most else drawn[: most - 1] + "\N{HORIZONTAL ELLIPSIS}"


def grey_bar(figure: Figure, image: AxesImage, axes: Axes, **options: Any) -> Colorbar:
    """Draw the grey scale of an image on axes of its own: its greys as one picture, not as hundreds of rectangles.

    Parameters
    ----------
    figure : Figure
        Both are on it.
    image : AxesImage
        Whose scale it is.
    axes : Axes
        Filled by the bar, upright.
    **options
        As `Figure.colorbar` takes them.
    """
    bar = figure.colorbar(image, cax=axes, **options)
    low, high = image.get_clim()
    if bar.solids is not None:
        bar.solids.remove()
    ramp = np.linspace(low, high, 256)[:, None]
    view = axes.axis()
    axes.imshow(
        ramp, cmap=image.get_cmap(), vmin=low, vmax=high, extent=(0.0, 1.0, low, high), origin="lower",
        aspect="auto", interpolation="nearest", zorder=0,
    )  # fmt: skip
    axes.axis(view)
    return bar


class _GreySvg(RendererSVG):
    """Packs pictures without colour as grey, and lets the viewer smooth those that are to look smooth."""

    def __init__(self, width: float, height: float, out: io.StringIO) -> None:
        cast(Any, super().__init__)(  # matplotlib states no types here
            width, height, out, image_dpi=_IMAGE_DPI, metadata={"Date": None, "Creator": None}
        )
        self._out = out

    def draw_image(self, gc: Any, x: float, y: float, im: Any, transform: Any = None) -> None:
        """Write a picture into the file."""
        colours = np.asarray(im)
        if (colours[..., :1] == colours[..., 1:3]).all():
            whole = bool((colours[..., 3] == 255).all())
            im = np.ascontiguousarray(colours[..., 0] if whole else colours[..., (0, 3)])
        start, write = self._out.tell(), cast(Any, super().draw_image)
        write(gc, x, y, im, transform)
        if gc.get_gid() == _SMOOTH:
            self._out.seek(start)
            written = self._out.read()
            self._out.seek(start)
            self._out.truncate()
            self._out.write(written.replace(_IN_SQUARES, ""))


def _as_it_is(figure: Figure) -> None:
    """Have every picture that is not finer than its place written voxel by voxel: the viewer enlarges it."""
    for axes in figure.axes:
        room = axes.get_window_extent()
        for image in axes.images:
            rows, columns = image.get_size()
            share = _IMAGE_DPI / figure.dpi
            if rows <= share * room.height and columns <= share * room.width:
                image.set_gid(None if image.get_interpolation() == "nearest" else _SMOOTH)
                image.set_interpolation("none")


def to_svg(figure: Figure) -> bytes:
    """Return the figure as SVG: the same bytes every time, letters as curves, no date.

    Parameters
    ----------
    figure : Figure
        As the functions of this package return it; it is not used again.
    """
    out = io.StringIO()
    with matplotlib.rc_context({"svg.hashsalt": "ctrecon", "svg.fonttype": "path", "path.simplify": True}):
        figure.set_dpi(72)
        _as_it_is(figure)
        width, height = (72 * side for side in figure.get_size_inches())
        renderer: Any = _GreySvg(width, height, out)
        figure.draw(renderer)
        renderer.finalize()
    return out.getvalue().encode("utf-8")
