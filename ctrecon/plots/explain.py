"""What the record leaves unexplained: misfit of every slice, and slices as scanned, as predicted, and what is left."""

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Ellipse
from matplotlib.patheffects import Normal, Stroke
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from ctrecon.core.measured import format_value
from ctrecon.plots.style import ACCENT, FONT, INK, SOFT, grey_bar, plain
from ctrecon.record.explained import Explained, ExplainedSlice
from ctrecon.record.part import Part

__all__ = ["explained_chart", "explained_slice"]

Array = NDArray[np.floating[Any]]

_WIDTH_IN = 9.6
_PANEL_IN = 2.95
_TALLEST_IN = 3.3
_RANGE = (5.0, 25.0)  # noise units: the grey scale of a residual ends between these
_NO_DATA = "#3a4652"


def explained_chart(explained: Explained) -> Figure:
    """Draw the residual of every slice, in times the noise of one voxel, over the number of the slice.

    Slices that are shown as pictures carry a triangle; missing slices leave a gap.
    """
    height = 2.35
    figure = Figure(figsize=(_WIDTH_IN, height), facecolor="white")
    axes = figure.add_axes((0.07, 0.24, 0.87, 0.66))
    rms = np.array([np.nan if one is None else one for one in explained.per_slice_rms], dtype=float)
    slices = np.arange(len(rms))
    top = 1.15 * max(2.0, float(np.nanmax(rms)) if np.isfinite(rms).any() else 2.0)
    axes.plot(slices, rms, color=INK, lw=1.2, marker="." if len(rms) < 60 else "", ms=4)
    shown = [one.index for one in explained.pictures]
    axes.plot(shown, [rms[k] + 0.05 * top for k in shown], ls="", marker="v", ms=7, mfc="white", mec=ACCENT, mew=1.3)
    axes.axhline(1.0, color=SOFT, lw=0.9, ls=(0, (4, 2)))
    axes.annotate(
        "noise", (1.0, 1.0), xycoords=("axes fraction", "data"), xytext=(3, 0), textcoords="offset points",
        va="center", fontsize=8, family=FONT, color=SOFT, annotation_clip=False,
    )  # fmt: skip
    axes.set_ylim(0, top)
    axes.set_xlim(-0.5, max(len(rms) - 0.5, 0.5))
    axes.tick_params(labelsize=8, labelfontfamily=FONT, colors=INK)
    axes.xaxis.set_major_locator(MaxNLocator(integer=True))
    axes.set_xlabel("slice", fontsize=8.5, family=FONT, color=INK)
    axes.set_ylabel("left over, times noise", fontsize=8.5, family=FONT, color=INK)
    for name, side in axes.spines.items():
        side.set_visible(name in ("left", "bottom"))
        side.set_color(SOFT)
    return figure


def explained_slice(view: ExplainedSlice, explained: Explained, part: Part) -> Figure:
    """Draw one slice as scanned, as predicted from the record, and what is left between them.

    Parameters
    ----------
    view : ExplainedSlice
        Window of the slice.
    explained : Explained
        Its lumps are ringed and numbered as in the list.
    part : Part
        Voxel size.

    Returns
    -------
    Figure
        In the residual mid-grey is zero, black is darker and white brighter than predicted.
    """
    _, dy, dx = part.stack.voxel_mm
    rows, columns = view.scan.shape
    tall = min(_PANEL_IN * rows * dy / (columns * dx), _TALLEST_IN)
    wide = min(tall * columns * dx / (rows * dy), _PANEL_IN)
    height = tall + 0.56
    figure = Figure(figsize=(_WIDTH_IN, height), facecolor="white")
    row0, col0 = view.origin_rc
    extent = (col0 - 0.5, col0 + columns - 0.5, row0 + rows - 0.5, row0 - 0.5)
    residual = np.ma.masked_invalid(view.residual)
    sound = np.abs(view.residual[np.isfinite(view.residual)])
    limit = float(np.clip(np.percentile(sound, 99.7) if sound.size else 0.0, *_RANGE))
    panels = (
        ("as scanned", np.ma.masked_invalid(view.scan), -0.15, 1.15),
        ("as the record predicts it", np.ma.masked_invalid(view.predicted), -0.15, 1.15),
        ("scan less prediction", residual, -limit, limit),
    )
    for number, (title, values, low, high) in enumerate(panels):
        left = 0.1 + number * (_PANEL_IN + 0.08) + (_PANEL_IN - wide) / 2
        axes = figure.add_axes((left / _WIDTH_IN, 0.1 / height, wide / _WIDTH_IN, tall / height))
        axes.set_facecolor(_NO_DATA)
        image = axes.imshow(
            values, cmap="gray", vmin=low, vmax=high, extent=extent, aspect=dy / dx, interpolation="nearest"
        )
        axes.set_xticks([])
        axes.set_yticks([])
        axes.set_title(title, fontsize=8.5, family=FONT, color=INK, pad=3)
        for side in axes.spines.values():
            side.set_color(SOFT)
        if number == 2:
            _ring_lumps(axes, view, explained, part)
            bar_axes = figure.add_axes(
                ((left + wide + 0.07) / _WIDTH_IN, 0.1 / height, 0.11 / _WIDTH_IN, tall / height)
            )
            bar = grey_bar(figure, image, bar_axes, extend="both", extendfrac=0.04)
            half = round(limit / 2)
            bar.set_ticks([-2 * half, -half, 0, half, 2 * half] if 2 * half <= limit else [-half, 0, half])
            bar.ax.tick_params(labelsize=7, labelfontfamily=FONT, colors=INK, length=2, pad=1.5)
    depth = view.index * part.stack.voxel_mm[0]
    heading = (
        f"slice {view.index}, depth {format_value(depth, 3)} mm; scale of the right picture: times the noise "
        f"of one voxel"
    )
    figure.text(
        0.1 / _WIDTH_IN, 1 - 0.07 / height, plain(heading, most=120), ha="left", va="top", fontsize=9, color=INK,
        family=FONT, parse_math=False,
    )  # fmt: skip
    return figure


def _ring_lumps(axes: Axes, view: ExplainedSlice, explained: Explained, part: Part) -> None:
    """Ring what the list names on this slice, with its number there."""
    _, dy, dx = part.stack.voxel_mm
    rows, columns = view.scan.shape
    row0, col0 = view.origin_rc
    axes.set_xlim(col0 - 0.5, col0 + columns - 0.5)
    axes.set_ylim(row0 + rows - 0.5, row0 - 0.5)
    least = 0.02 * max(rows * dy, columns * dx)
    for number, lump in enumerate(explained.lumps[:20], start=1):
        if not lump.slices[0] <= view.index <= lump.slices[1]:
            continue
        reach = 0.5 * lump.size_mm[0] + least
        centre = (lump.x_mm / dx, lump.y_mm / dy)
        rim = [Stroke(linewidth=2.6, foreground="#101418"), Normal()]
        axes.add_patch(
            Ellipse(
                centre, 2 * reach / dx, 2 * reach / dy, fill=False, edgecolor="#ffffff", lw=1.1, ls=(0, (4, 2)),
                path_effects=rim,
            )
        )  # fmt: skip
        column = float(np.clip(centre[0] + 0.72 * reach / dx, col0 + 0.04 * columns, col0 + 0.95 * columns))
        row = float(np.clip(centre[1] - 0.72 * reach / dy, row0 + 0.05 * rows, row0 + 0.95 * rows))
        axes.text(
            column, row, str(number), color="#ffffff", fontsize=7.5, family=FONT, ha="center", va="center",
            bbox={"boxstyle": "round,pad=0.15", "facecolor": "#101418", "edgecolor": "#ffffff", "linewidth": 0.7},
        )  # fmt: skip
