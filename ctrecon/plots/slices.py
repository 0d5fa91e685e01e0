"""A slice at its true proportions with the fitted curves drawn on it."""

import math
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patheffects import Normal, Stroke
from numpy.typing import NDArray

from ctrecon.plots.style import FONT, INK, SOFT, LineLook, line_look, plain
from ctrecon.record.kinds import kind_words
from ctrecon.record.part import Part
from ctrecon.record.pictures import SlicePicture

__all__ = ["cutout", "scale_bar", "slice_with_fits"]

Array = NDArray[np.floating[Any]]

_WIDTH_IN = 3.9
_PICTURE_IN = 3.7
_NAMED_MOST = 24  # above that the key gives ids alone; the table says the rest
_RIM = "#101418"
_CUTOUT_IN = 1.4
_AROUND, _ROOM_PX = 0.3, 5.0  # shown around a feature: a share of its size, and at least this much


def _grey_range(grey: Array) -> tuple[float, float]:
    """Return black and white: nearly the whole range, without the few wildest voxels."""
    sound = grey[np.isfinite(grey)]
    if not sound.size:
        return 0.0, 1.0
    low, high = (float(v) for v in np.percentile(sound, (0.3, 99.7)))
    return (low, high) if high > low else (low - 0.5, low + 0.5)


def _bar_length(width_mm: float) -> float:
    """Return a round length (1, 2 or 5 times a power of ten) of at most a third of the width."""
    power = 10.0 ** math.floor(math.log10(width_mm / 3))
    return max(step * power for step in (1.0, 2.0, 5.0) if step * power <= width_mm / 3)


def scale_bar(axes: Axes, width_mm: float, wide_in: float, tall_in: float) -> None:
    """Draw the bar under the picture's left corner, its length written beside it."""
    bar = _bar_length(width_mm)
    share, under = bar / width_mm, -0.13 / tall_in
    whole = axes.transAxes
    axes.plot([0, share], [under, under], transform=whole, color=INK, lw=2.4, clip_on=False, solid_capstyle="butt")
    note = axes.text(share + 0.08 / wide_in, under, f"{bar:g} mm", transform=whole, color=INK, va="center", fontsize=8)
    note.set_fontfamily(FONT)


def _line(x: Array, y: Array, look: LineLook, points: float) -> Line2D:
    """Return a line with a dark rim, so that it shows on metal and on air."""
    rim = [Stroke(linewidth=2 * points, foreground=_RIM), Normal()]
    line = Line2D(x, y, color=look.colour, lw=points, dash_capstyle="butt", path_effects=rim)
    if look.dashes:
        line.set_dashes(look.dashes)
    return line


def _label_spot(curve: Array, taken: list[Array], low: Array, high: Array) -> Array:
    """Return the point of the curve that is farthest from the labels set, well in the window."""
    margin = 0.05 * (high - low)
    inside = curve[np.all((curve >= low + margin) & (curve <= high - margin), axis=1)]
    points = inside if len(inside) else curve
    if not taken:
        return np.asarray(points[int(np.argmin(points[:, 0] + points[:, 1]))])
    gaps = np.min(np.linalg.norm((points[:, None, :] - np.array(taken)[None]) / (high - low), axis=2), axis=1)
    return np.asarray(points[int(np.argmax(gaps.round(6)))])


def _outward(spot: Array, curve: Array, low: Array, high: Array) -> Array:
    """Return the direction away from the curve's middle (small holes stay free), turned back at the rim."""
    away = spot - curve.mean(axis=0)
    away = away / max(float(np.linalg.norm(away)), 1e-9)
    rim = np.minimum(spot - low, high - spot) / (high - low)
    turned = np.where((rim < 0.06) & (np.sign(away) == np.where(spot - low < high - spot, -1, 1)), -away, away)
    return np.asarray(turned)


def _draw_curves(axes: Axes, picture: SlicePicture, part: Part, low: Array, high: Array) -> list[str]:
    """Draw every curve with its id beside it and return the ids drawn, in the part's order."""
    crowded = len(picture.curves) > _NAMED_MOST
    letters, gap = (5.5, 5.0) if crowded else (8.0, 8.0)
    known = [feature.id for feature in part.features]
    drawn: list[str] = []
    taken: list[Array] = []
    for ident, raw in picture.curves:
        curve = np.asarray(raw, dtype=float).reshape(-1, 2)
        sound = curve[np.all(np.isfinite(curve), axis=1)]
        if not np.any(np.all((sound >= low) & (sound <= high), axis=1)):
            continue
        look = line_look(part, ident)
        axes.add_line(_line(curve[:, 0], curve[:, 1], look, 1.5))
        if ident not in drawn:
            drawn.append(ident)
            spot = _label_spot(sound, taken, low, high)
            taken.append(spot)
            away = _outward(spot, sound, low, high)
            axes.annotate(
                plain(ident, most=8),
                (float(spot[0]), float(spot[1])),
                xytext=(gap * away[0], -gap * away[1]),
                textcoords="offset points",
                color="#ffffff",
                fontsize=letters,
                family=FONT,
                ha="center",
                va="center",
                parse_math=False,
                annotation_clip=False,
                zorder=5,
                bbox={"boxstyle": "round,pad=0.15", "facecolor": _RIM, "edgecolor": look.colour, "linewidth": 0.8},
            )
    return sorted(drawn, key=lambda ident: (known.index(ident) if ident in known else len(known), ident))


def _legend(figure: Figure, part: Part, ids: list[str], height_in: float, columns: int) -> None:
    """Write under the picture which line belongs to which feature."""
    kinds = {feature.id: kind_words(feature) for feature in part.features}
    nowhere = np.empty(0)
    lines = [_line(nowhere, nowhere, line_look(part, ident), 1.8) for ident in ids]
    named = {
        ident: f"{ident} {kinds.get(ident, 'not in the record')}" if len(ids) <= _NAMED_MOST else ident for ident in ids
    }
    names = [plain(named[ident], most=26) for ident in ids]
    legend = figure.legend(
        lines,
        names,
        loc="lower center",
        bbox_to_anchor=(0.5, 0.04 / height_in),
        ncols=columns,
        frameon=False,
        handlelength=3.4 if columns == 2 else 2.0,
        columnspacing=1.2,
        prop={"family": FONT, "size": 8.5},
        borderpad=0.2,
        labelcolor=INK,
    )
    for text in legend.get_texts():
        text.set_parse_math(False)


def slice_with_fits(picture: SlicePicture, part: Part, *, title: str) -> Figure:
    """Draw one slice, its fitted curves, their ids and a scale bar.

    Parameters
    ----------
    picture : SlicePicture
        Window of the slice and its curves.
    part : Part
        The record the curves belong to: voxel size, names of the kinds, line styles.
    title : str
        Written above; taken as plain text.

    Returns
    -------
    Figure
        One voxel is dx wide and dy high, whatever their sizes.
    """
    grey = np.asarray(picture.grey, dtype=float)
    rows, cols = grey.shape
    _, dy, dx = part.stack.voxel_mm
    row0, col0 = picture.origin_rc
    low, high = np.array([col0 - 0.5, row0 - 0.5]), np.array([col0 + cols - 0.5, row0 + rows - 0.5])
    width_mm, height_mm = cols * dx, rows * dy
    shrink = _PICTURE_IN / max(width_mm, height_mm)
    wide, tall = max(width_mm * shrink, 0.3), max(height_mm * shrink, 0.3)

    count = len({ident for ident, _ in picture.curves})
    columns = 2 if count <= _NAMED_MOST else 5
    below = 0.34 + 0.185 * math.ceil(count / columns)
    height = 0.34 + tall + below
    figure = Figure(figsize=(_WIDTH_IN, height), facecolor="white")
    axes = figure.add_axes(((_WIDTH_IN - wide) / 2 / _WIDTH_IN, below / height, wide / _WIDTH_IN, tall / height))
    black, white = _grey_range(grey)
    extent = (float(low[0]), float(high[0]), float(high[1]), float(low[1]))
    axes.set_facecolor("#3a4652")  # shows through where there are no data
    axes.imshow(
        np.ma.masked_invalid(grey),
        cmap="gray",
        vmin=black,
        vmax=white,
        extent=extent,
        aspect=dy / dx,
        interpolation="auto",
    )
    ids = _draw_curves(axes, picture, part, low, high)
    axes.set_xlim(low[0], high[0])
    axes.set_ylim(high[1], low[1])
    axes.set_xticks([])
    axes.set_yticks([])
    for side in axes.spines.values():
        side.set_color(SOFT)
    scale_bar(axes, width_mm, wide, tall)
    figure.text(
        0.5,
        1 - 0.11 / height,
        plain(title, most=60),
        ha="center",
        va="top",
        fontsize=9.5,
        color=INK,
        family=FONT,
        parse_math=False,
    )
    if ids:
        _legend(figure, part, ids, height, columns)
    return figure


def cutout(picture: SlicePicture, part: Part, ident: str) -> Figure:
    """Draw what lies around one feature in a slice, with its fitted outline and a scale bar.

    Parameters
    ----------
    picture : SlicePicture
        Window of the slice and its curves.
    part : Part
        The record the curve belongs to: voxel size and line style.
    ident : str
        The feature; the slice must hold a curve of it.

    Returns
    -------
    Figure
        Small, with the grey range of the whole window, so that a faint thing looks faint.
    """
    curves = [np.asarray(raw, dtype=float).reshape(-1, 2) for one, raw in picture.curves if one == ident]
    grey = np.asarray(picture.grey, dtype=float)
    black, white = _grey_range(grey)
    cut, left, top = _around(grey, picture.origin_rc, np.concatenate(curves))
    _, dy, dx = part.stack.voxel_mm
    width_mm, height_mm = cut.shape[1] * dx, cut.shape[0] * dy
    shrink = _CUTOUT_IN / max(width_mm, height_mm)
    wide, tall = max(width_mm * shrink, 0.3), max(height_mm * shrink, 0.3)
    width, height = wide + 0.1, tall + 0.32
    figure = Figure(figsize=(width, height), facecolor="white")
    axes = figure.add_axes((0.05 / width, 0.27 / height, wide / width, tall / height))
    extent = (left - 0.5, left + cut.shape[1] - 0.5, top + cut.shape[0] - 0.5, top - 0.5)
    axes.set_axis_off()
    axes.imshow(
        np.ma.masked_invalid(cut), cmap="gray", vmin=black, vmax=white, extent=extent, aspect=dy / dx,
        interpolation="auto",
    )  # fmt: skip
    for curve in curves:
        axes.add_line(_line(curve[:, 0], curve[:, 1], line_look(part, ident), 1.3))
    axes.set_xlim(extent[:2])
    axes.set_ylim(extent[2:])
    scale_bar(axes, width_mm, wide, tall)
    return figure


def _around(grey: Array, origin_rc: tuple[int, int], curve: Array) -> tuple[Array, int, int]:
    """Return the part of a window around a curve, and column and row of its first voxel in the full slice."""
    rows, columns = grey.shape
    origin = np.array(origin_rc[::-1])
    points = curve[np.all(np.isfinite(curve), axis=1)] - origin
    if not len(points):
        return grey, int(origin[0]), int(origin[1])
    low, high = points.min(axis=0), points.max(axis=0)
    room = max(_AROUND * float((high - low).max()), _ROOM_PX)
    last_voxel = np.array([columns - 1, rows - 1])
    first = np.clip(np.floor(low - room), 0, last_voxel).astype(int)
    last = np.clip(np.ceil(high + room), first, last_voxel).astype(int)
    cut = grey[first[1] : last[1] + 1, first[0] : last[0] + 1]
    return cut, int(origin[0] + first[0]), int(origin[1] + first[1])
