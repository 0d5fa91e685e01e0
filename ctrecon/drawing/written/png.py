"""PNG of the pages, one under the other: what is black is laid on by matplotlib's rasteriser, without its figures."""

import io
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ctrecon.drawing.paper.items import Sheet
from ctrecon.drawing.written.dxf import PAGE_GAP_MM
from ctrecon.drawing.written.strokes import Drawn, Outline, joined, lettered

__all__ = ["png_bytes"]

PNG_DPI = 200
_MM_PER_INCH = 25.4
_POINTS_PER_MM = 72 / _MM_PER_INCH
_GAP_GREY = 200
_ONE_PATH = 1000  # letters filled at once; a longer path takes long to sort by its edges


def png_bytes(sheet: Sheet, pages: Sequence[Drawn]) -> bytes:
    """Return a picture of all pages, one under the other."""
    from PIL import Image

    wide, tall = (int(side / _MM_PER_INCH * PNG_DPI) for side in (sheet.width_mm, sheet.height_mm))
    gap = np.full((round(PAGE_GAP_MM / _MM_PER_INCH * PNG_DPI), wide), _GAP_GREY, np.uint8)
    shots: list[NDArray[np.uint8]] = []
    for page in pages:
        shots += [gap, _shot(page, wide, tall)] if shots else [_shot(page, wide, tall)]
    out = io.BytesIO()
    # runs of white are packed as runs: nearly as small as the usual way, in half the time
    Image.fromarray(np.vstack(shots)).save(out, format="PNG", dpi=(PNG_DPI, PNG_DPI), compress_type=3)
    return out.getvalue()


def _shot(page: Drawn, wide: int, tall: int) -> NDArray[np.uint8]:
    """Return one page as grey."""
    from matplotlib.backends.backend_agg import RendererAgg
    from matplotlib.path import Path
    from matplotlib.transforms import Affine2D

    kind: Any = RendererAgg  # it ships no types
    renderer = kind(wide, tall, PNG_DPI)
    scale = Affine2D().scale(PNG_DPI / _MM_PER_INCH)
    gc = renderer.new_gc()
    gc.set_foreground("black")

    def lay(outline: Outline, *, fill: bool = False) -> None:
        if len(outline.points):
            path = Path(outline.points, outline.codes)
            path.should_simplify = False
            renderer.draw_path(gc, path, scale, (0.0, 0.0, 0.0) if fill else None)

    for level, outline in _batches(page.strokes):
        gc.set_linewidth(_POINTS_PER_MM * outline.weight)
        gc.set_capstyle("projecting" if outline.square else "butt")
        gc.set_joinstyle("round" if outline.square else "miter")
        gc.set_snap(level)
        lay(outline)
    gc.set_linewidth(0.0)
    gc.set_snap(False)
    for one in page.fillings:
        lay(one, fill=True)
    letters = list(lettered(page.texts))
    for start in range(0, len(letters), _ONE_PATH):
        lay(joined(letters[start : start + _ONE_PATH]), fill=True)
    # all is black on nothing: how much of a pixel is covered is how dark it is
    return np.asarray(255 - np.asarray(renderer.buffer_rgba())[..., 3])


def _batches(strokes: Iterable[Outline]) -> list[tuple[bool, Outline]]:
    """Return the strokes of equal weight, ends and direction each as one, and whether it is level."""
    found: dict[tuple[float, bool, bool], list[Outline]] = {}
    for one in strokes:
        found.setdefault((one.weight, one.square, one.level), []).append(one)
    return [(key[2], joined(some)) for key, some in sorted(found.items(), key=lambda pair: pair[0])]
