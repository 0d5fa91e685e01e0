"""Which feature lives at which depth: one bar a feature, pieces as bands behind them."""

from functools import partial

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Rectangle
from matplotlib.ticker import MaxNLocator
from numpy.typing import ArrayLike

from ctrecon.core.measured import Measured, decimals_for, expanded, format_value
from ctrecon.plots.style import ACCENT, FONT, INK, PALE, SOFT, plain
from ctrecon.record.kinds import is_hole, is_seam, kind_of, kind_words
from ctrecon.record.part import Feature, Part, Piece, scale_u_of

__all__ = ["depth_chart"]

_ROW_IN = 0.27
_WIDTH_IN = 9.6
_BANDS = ("#f3e3d3", "#dfe9f3", "#e6e6e6", "#e2efe0")
_HATCHES = ("", "////", "....", "\\\\\\\\")
_VERDICTS = {"separate": "separate?", "one_piece": "one piece", "undecided": "undecided"}


def _divide(values: ArrayLike, *, by: float) -> ArrayLike:
    return np.asarray(values, dtype=float) / by


def _end_text(part: Part, end: Measured | None) -> str:
    if end is None:
        return "?"
    return format_value(end.value, min(3, decimals_for(expanded(end, scale_u_of(part, "depth_from_mm")))))


def _span(first: Measured | None, last: Measured | None, low: float, high: float) -> tuple[float, float]:
    return (low if first is None else first.value, high if last is None else last.value)


def _open_marks(axes: Axes, row: float, first: Measured | None, last: Measured | None, low: float, high: float) -> None:
    """Set an open arrow head where an end is not known."""
    for end, at, mark in ((first, low, "<"), (last, high, ">")):
        if end is None:
            axes.plot([at], [row], marker=mark, ms=7, mfc="white", mec=ACCENT, mew=1.4, ls="", clip_on=False, zorder=6)


def _feature_bar(axes: Axes, row: int, feature: Feature, low: float, high: float) -> None:
    first, last = _span(feature.depth_from_mm, feature.depth_to_mm, low, high)
    if is_seam(feature):
        face, hatch, edge = "white", "//////", ACCENT
    elif is_hole(feature):
        face, hatch, edge = "white", "", INK
    else:
        face, hatch, edge = SOFT, "", INK
    tall = 0.36 if is_seam(feature) else 0.56
    bar = Rectangle(
        (first, row - tall / 2), last - first, tall, facecolor=face, edgecolor=edge, hatch=hatch, lw=1.1, zorder=4
    )
    axes.add_patch(bar)
    if last - first < 0.004 * (high - low):
        axes.plot([(first + last) / 2], [row], marker="D", ms=6, mfc="white", mec=edge, mew=1.3, ls="", zorder=5)
    _open_marks(axes, row, feature.depth_from_mm, feature.depth_to_mm, low, high)


def _piece_bands(axes: Axes, part: Part, rows: int, low: float, high: float) -> None:
    """Draw every piece as a bar on top and, unless it fills the depth, as a band behind the features."""
    for number, piece in enumerate(part.pieces):
        first, last = _span(piece.depth_from_mm, piece.depth_to_mm, low, high)
        row = -len(part.pieces) + number
        face, hatch = _BANDS[number % len(_BANDS)], _HATCHES[number % len(_HATCHES)]
        axes.add_patch(
            Rectangle(
                (first, row - 0.4), last - first, 0.8, facecolor=face, edgecolor=SOFT, hatch=hatch, lw=0.9, zorder=3
            )
        )
        if last - first < 0.98 * (high - low):
            axes.add_patch(
                Rectangle(
                    (first, row), last - first, rows - row, facecolor=face, edgecolor="none", alpha=0.55, zorder=1
                )
            )
            axes.vlines([first, last], row, rows - 0.5, colors=SOFT, linestyles=(0, (4, 2)), lw=0.8, zorder=2)
        _open_marks(axes, row, piece.depth_from_mm, piece.depth_to_mm, low, high)


def _key(figure: Figure, part: Part, height: float) -> None:
    """Explain under the chart the marks that are in it."""
    seams, holes = [is_seam(one) for one in part.features], [is_hole(one) for one in part.features]
    listed: tuple[Piece | Feature, ...] = (*part.pieces, *part.features)
    marks: list[tuple[bool, Patch | Line2D, str]] = [
        (sum(seams) + sum(holes) < len(part.features), Patch(facecolor=SOFT, edgecolor=INK), "outside"),
        (any(holes), Patch(facecolor="white", edgecolor=INK), "hole"),
        (any(seams), Patch(facecolor="white", edgecolor=ACCENT, hatch="//////"), "seam"),
        (bool(part.pieces), Patch(facecolor=_BANDS[0], edgecolor=SOFT), "piece"),
        (
            any(one.depth_from_mm is None or one.depth_to_mm is None for one in listed),
            Line2D([], [], marker=">", ms=7, mfc="white", mec=ACCENT, mew=1.4, ls=""),
            "end not known",
        ),
    ]
    there = [(mark, name) for present, mark, name in marks if present]
    if not there:
        return
    figure.legend(
        [mark for mark, _ in there],
        [name for _, name in there],
        loc="lower center",
        bbox_to_anchor=(0.5, 0.04 / height),
        ncols=5,
        frameon=False,
        prop={"family": FONT, "size": 8.5},
        labelcolor=INK,
    )


def depth_chart(part: Part) -> Figure:
    """Draw which feature and which piece reaches from where to where.

    Parameters
    ----------
    part : Part
        The record; depths are stack z in mm, as it gives them.

    Returns
    -------
    Figure
        Depth to the right, features downwards in the order of their ids.
    """
    dz = part.stack.voxel_mm[0]
    low, high = 0.0, (part.stack.slices - 1) * dz
    listed: tuple[Piece | Feature, ...] = (*part.pieces, *part.features)
    ends = [end.value for one in listed for end in (one.depth_from_mm, one.depth_to_mm) if end is not None]
    low, high = min([low, *ends]), max([high, *ends])
    if high - low < dz:
        low, high = low - dz / 2, high + dz / 2
    rows, bands = len(part.features), len(part.pieces)
    height = 1.55 + _ROW_IN * max(rows + bands, 1)
    figure = Figure(figsize=(_WIDTH_IN, height), facecolor="white")
    axes = figure.add_axes((2.35 / _WIDTH_IN, 0.85 / height, (_WIDTH_IN - 4.1) / _WIDTH_IN, (height - 1.4) / height))
    room = 0.02 * (high - low)
    axes.set_xlim(low - room, high + room)
    axes.set_ylim(max(rows, 1) - 0.4, -bands - 0.6)

    _piece_bands(axes, part, rows, low, high)
    for row, feature in enumerate(part.features):
        _feature_bar(axes, row, feature, low, high)
    axes.hlines(np.arange(rows), low - room, high + room, colors=PALE, lw=0.7, zorder=2)

    names = [plain(f"{one.id} {one.name} ({_VERDICTS.get(one.verdict, one.verdict)})", most=32) for one in part.pieces]
    names += [plain(f"{feature.id} {kind_words(feature)}", most=32) for feature in part.features]
    places = [float(row) for row in range(-bands, rows)]
    axes.set_yticks(places, names, fontsize=8.5, family=FONT, color=INK, parse_math=False)
    for at, one in zip(places, listed, strict=True):
        text = f"{_end_text(part, one.depth_from_mm)} to {_end_text(part, one.depth_to_mm)} mm"
        if isinstance(one, Feature) and kind_of(one).is_face:  # it lies at one depth
            text = f"at {_end_text(part, one.depth_from_mm)} mm"
        axes.text(high + 2.2 * room, at, text, va="center", fontsize=8, family=FONT, color=INK)
    if not places:
        axes.text((low + high) / 2, 0, "no features", ha="center", va="center", fontsize=9, family=FONT, color=SOFT)
    axes.tick_params(axis="y", length=0)
    axes.tick_params(axis="x", labelsize=8, labelfontfamily=FONT, colors=INK)
    axes.set_xlabel("depth in mm (0 = middle of the first slice)", fontsize=8.5, family=FONT, color=INK)
    above = axes.secondary_xaxis("top", functions=(partial(_divide, by=dz), partial(_divide, by=1 / dz)))
    above.xaxis.set_major_locator(MaxNLocator(nbins=8, integer=True, min_n_ticks=1))
    above.tick_params(labelsize=8, labelfontfamily=FONT, colors=SOFT)
    above.set_xlabel("slice number, from 0", fontsize=8.5, family=FONT, color=SOFT)
    for name, side in axes.spines.items():
        side.set_visible(name in ("top", "bottom"))
        side.set_color(SOFT)
    _key(figure, part, height)
    return figure
