"""Seams as pictures: unrolled along the outline, and the mean section with and without the line."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray
from scipy import ndimage

from ctrecon.core.frames import Floats
from ctrecon.core.measured import format_short, format_value
from ctrecon.plots.slices import scale_bar
from ctrecon.plots.style import ACCENT, FONT, INK, SOFT, grey_bar, plain
from ctrecon.record.kinds import kind_words
from ctrecon.record.part import Part
from ctrecon.record.pictures import FaceSeamPicture, SeamPicture

__all__ = ["face_seam_map", "seam_section", "unrolled_seam"]

_WIDTH_IN = 9.6
_NO_METAL = "#ffffff"
_LEAST_CALM_PX, _MOST_CALM_PX = 0.8, 4.0
_DEPTH_SHARE = 0.6  # of the averaging along the line, in planes
_STANDS_OUT = 3.0


def unrolled_seam(picture: SeamPicture, part: Part) -> Figure:
    """Draw the grey along a seam's outline against depth, with its means beside and below.

    Parameters
    ----------
    picture : SeamPicture
        What was read along the outline.
    part : Part
        The record the seam belongs to: its kind and the depths as found.

    Returns
    -------
    Figure
        Length along the outline to the right, depth downwards, both in mm; grey in % of the contrast
        between metal and air. Hatched where there is no solid metal on both sides of the line.
    """
    feature = part.feature(picture.feature)
    low, high = _depths(picture, part)
    dz, pitch = _edges(part)
    depth_mm, along_mm = dz * picture.depth_slices, pitch * picture.along_px
    calm = _calm(picture.contrast[_within(depth_mm, low, high)])
    values = 100 * _smooth(picture.contrast, calm)
    reach = _reach(values, depth_mm, low, high)
    height = 4.7
    figure = Figure(figsize=(_WIDTH_IN, height), facecolor="white")
    left, wide, below, tall = 0.75 / _WIDTH_IN, 6.1 / _WIDTH_IN, 1.75 / height, 2.15 / height
    axes = figure.add_axes((left, below, wide, tall))
    right = figure.add_axes((left + wide + 0.2 / _WIDTH_IN, below, 1.35 / _WIDTH_IN, tall))
    under = figure.add_axes((left, 0.62 / height, wide, 0.75 / height))
    whole = float(along_mm[0] + along_mm[-1])
    half = float(depth_mm[-1] - depth_mm[0]) / max(len(depth_mm) - 1, 1) / 2 or dz / 2
    extent = (0.0, whole, float(depth_mm[-1]) + half, float(depth_mm[0]) - half)
    _no_metal(axes)
    image = axes.imshow(
        np.ma.masked_invalid(values), cmap="gray", vmin=-reach, vmax=reach, extent=extent, aspect="auto",
        interpolation="nearest",
    )  # fmt: skip
    for side in (axes, right):
        for end in (low, high):
            if end is not None:
                side.axhline(end, color=ACCENT, lw=1.4, ls=(0, (5, 2)))
        side.set_ylim(extent[2], extent[3])
    axes.set_xlim(0, whole)
    axes.tick_params(axis="x", labelbottom=False)
    _words(axes, y="depth, mm")
    _angles(axes, picture, along_mm)
    for corner in picture.corners_px:
        for side in (axes, under):
            side.axvline(pitch * corner, color=INK, lw=0.7, ls=(0, (1, 2)))
    _depth_profile(right, picture, depth_mm, reach)
    _length_profile(under, picture, along_mm, whole, rows=_within(depth_mm, low, high))
    bar = figure.add_axes((left + wide + 1.85 / _WIDTH_IN, below, 0.14 / _WIDTH_IN, tall))
    grey_bar(figure, image, bar)
    _words(bar, y="grey on the line less that beside it, %")
    bar.yaxis.set_label_position("right")
    title = f"{feature.id} {kind_words(feature)}, unrolled along its outline"
    title += f", noise averaged over {format_short(2.4 * calm * pitch, 2)} mm"
    figure.text(
        left, 1 - 0.1 / height,
        plain(title, most=90),
        ha="left", va="top", fontsize=9.5, color=INK, family=FONT, parse_math=False,
    )  # fmt: skip
    return figure


def _edges(part: Part) -> tuple[float, float]:
    """Return the slice spacing and the pixel of the part grid, mm, as the record has them."""
    dz, dy, dx = part.stack.voxel_mm
    return dz, min(dy, dx)


def _calm(inside: NDArray[np.float32]) -> float:
    """Return over how many px (sigma) to average so that the line stands out of the noise, as far as it may."""
    sound = inside[np.isfinite(inside)].astype(float)
    if not len(sound):
        return _LEAST_CALM_PX
    along = np.diff(inside.astype(float), axis=1)
    noise = 1.4826 * float(np.median(np.abs(along[np.isfinite(along)]))) / 2**0.5 if np.isfinite(along).any() else 0.0
    dip = abs(float(np.median(sound)))
    # averaging with a Gaussian of sigma s by t lowers white noise by 2 sqrt(pi s t)
    needed = _STANDS_OUT * noise / max(dip, 1e-6) / (2 * np.pi**0.5 * _DEPTH_SHARE**0.5)
    return float(np.clip(needed, _LEAST_CALM_PX, _MOST_CALM_PX))


def _smooth(values: NDArray[np.float32], calm: float) -> Floats:
    """Average along the line (which is closed) and over depth, leaving out what is unknown."""
    known = np.isfinite(values).astype(float)

    def run(field: Floats) -> Floats:
        once = ndimage.gaussian_filter1d(field, calm, axis=1, mode="wrap")
        return np.asarray(ndimage.gaussian_filter1d(once, _DEPTH_SHARE * calm, axis=0, mode="nearest"))

    weight = run(known)
    mean = run(np.where(known > 0, values, 0.0).astype(float)) / np.maximum(weight, 1e-9)
    return np.where(known > 0, mean, np.nan)


def _depths(picture: SeamPicture, part: Part) -> tuple[float | None, float | None]:
    feature = part.feature(picture.feature)
    first, last = feature.depth_from_mm, feature.depth_to_mm
    return (None if first is None else first.value), (None if last is None else last.value)


def _within(depth_mm: Floats, low: float | None, high: float | None) -> NDArray[np.bool_]:
    """Return which rows lie between the ends found; all where neither is known."""
    inside = (depth_mm >= (-np.inf if low is None else low)) & (depth_mm <= (np.inf if high is None else high))
    return inside if inside.any() else np.ones(len(depth_mm), dtype=bool)


def _reach(values: Floats, depth_mm: Floats, low: float | None, high: float | None) -> float:
    """Return the grey at which the scale ends, the same both ways: most of the seam, but never only noise."""
    inside = values[_within(depth_mm, low, high)]
    sound = np.abs(inside[np.isfinite(inside)])
    return max(float(np.percentile(sound, 97)), 0.2) if len(sound) else 1.0


def _no_metal(axes: Axes) -> None:
    """Hatch the ground, which shows through where there is no solid metal."""
    axes.set_facecolor(_NO_METAL)
    axes.patch.set_hatch("....")
    axes.patch.set_edgecolor("#aab2ba")


def _words(axes: Axes, *, x: str = "", y: str = "") -> None:
    axes.set_xlabel(x, fontsize=8.5, family=FONT, color=INK)
    axes.set_ylabel(y, fontsize=8.5, family=FONT, color=INK)
    axes.tick_params(labelsize=8, labelfontfamily=FONT, colors=INK)
    for side in axes.spines.values():
        side.set_color(SOFT)


def _angles(axes: Axes, picture: SeamPicture, along_mm: Floats) -> None:
    """Mark on top the direction in which each place lies from the seam's middle."""
    turned = np.unwrap(picture.angle_deg, period=360)
    if not np.all(np.diff(turned) > 0):
        return  # an outline that turns back on itself has no one place in each direction
    wanted = 45 * np.arange(np.ceil(turned[0] / 45), np.floor(turned[-1] / 45) + 1)
    above = axes.secondary_xaxis("top")
    degrees = [f"{format_value(v % 360, 0)}\N{DEGREE SIGN}" for v in wanted]
    above.set_xticks(np.interp(wanted, turned, along_mm), degrees)
    above.tick_params(labelsize=8, labelfontfamily=FONT, colors=SOFT)
    words = "direction from its middle, clockwise in the slices from right"
    above.set_xlabel(words, fontsize=8, family=FONT, color=SOFT)


def _mean(values: Floats, axis: int) -> Floats:
    """Return the mean of what is known along an axis, NaN where less than a quarter is."""
    known = np.isfinite(values)
    enough = known.mean(axis=axis) >= 0.25
    total = np.where(known, values, 0.0).sum(axis=axis)
    return np.where(enough, total / np.maximum(known.sum(axis=axis), 1), np.nan)


def _depth_profile(axes: Axes, picture: SeamPicture, depth_mm: Floats, reach: float) -> None:
    mean = 100 * _mean(picture.contrast, 1)
    axes.plot(mean, depth_mm, color=INK, lw=1.2)
    axes.axvline(0, color=SOFT, lw=0.8)
    seen = np.abs(mean[np.isfinite(mean)])
    most = max(float(seen.max()) if len(seen) else 0.0, 0.4 * reach) * 1.15
    axes.set_xlim(-most, most)
    axes.xaxis.set_major_locator(MaxNLocator(nbins=3, symmetric=True))
    axes.tick_params(axis="y", labelleft=False)
    _words(axes, x="mean along it, %")


def _length_profile(
    axes: Axes, picture: SeamPicture, along_mm: Floats, whole: float, *, rows: NDArray[np.bool_]
) -> None:
    mean = 100 * _mean(picture.contrast[rows], 0)
    axes.plot(along_mm, mean, color=INK, lw=1.0)
    axes.axhline(0, color=SOFT, lw=0.8)
    axes.set_xlim(0, whole)
    axes.yaxis.set_major_locator(MaxNLocator(nbins=3))
    corners = "; corners dotted" if picture.corners_px else ""
    _words(axes, x=f"length along the outline, mm{corners}", y="mean, %")


def seam_section(picture: SeamPicture, part: Part) -> Figure:
    """Draw the mean section through a seam twice, without and with the line that was found.

    Returns
    -------
    Figure
        Both with the same window of grey, in % of the contrast between metal and air.
    """
    feature = part.feature(picture.feature)
    values, calmed = _section(picture)
    rows, columns = values.shape
    reach = _section_reach(values, picture)
    side_in = 3.9
    shrink = side_in / max(rows, columns)
    wide, tall = columns * shrink, rows * shrink
    height, width = tall + 0.95, 2 * wide + 1.45
    figure = Figure(figsize=(width, height), facecolor="white")
    for number, (left, words) in enumerate(((0.15, "as scanned, averaged"), (0.3 + wide, "with the seam as found"))):
        axes = figure.add_axes((left / width, 0.5 / height, wide / width, tall / height))
        _no_metal(axes)
        image = axes.imshow(np.ma.masked_invalid(values), cmap="gray", vmin=-reach, vmax=reach, interpolation="nearest")
        axes.set_xticks([])
        axes.set_yticks([])
        for side in axes.spines.values():
            side.set_color(SOFT)
        if number:
            outline = picture.outline_px
            axes.plot(outline[:, 0], outline[:, 1], color="#ffffff", lw=2.6)
            axes.plot(outline[:, 0], outline[:, 1], color=ACCENT, lw=1.3, ls=(0, (4, 3)))
            axes.set_xlim(-0.5, columns - 0.5)
            axes.set_ylim(rows - 0.5, -0.5)
        else:
            scale_bar(axes, columns * _edges(part)[1], wide, tall)
        axes.set_title(words, fontsize=8.5, family=FONT, color=INK, pad=3)
    bar = figure.add_axes(((0.42 + 2 * wide) / width, 0.5 / height, 0.14 / width, tall / height))
    grey_bar(figure, image, bar)
    _words(bar, y="grey, local mean removed, % of contrast")
    bar.yaxis.set_label_position("right")
    title = f"{feature.id} {kind_words(feature)}: mean of {picture.planes} planes square to the axis{calmed}"
    figure.text(
        0.15 / width, 1 - 0.08 / height,
        plain(title, most=90),
        ha="left", va="top", fontsize=9.5, color=INK, family=FONT, parse_math=False,
    )  # fmt: skip
    return figure


def _section(picture: SeamPicture) -> tuple[Floats, str]:
    """Return the section in %, where its noise drowns the line averaged over about 2 px, and words that say so."""
    values = 100 * picture.section.astype(float)
    spread, on = _spread(values), _on_line(values, picture)
    if spread == 0 or on > _STANDS_OUT * spread:
        return values, ""
    known = np.isfinite(values)
    weight = ndimage.gaussian_filter(known.astype(float), 1.0)
    mean = ndimage.gaussian_filter(np.where(known, values, 0.0), 1.0) / np.maximum(weight, 1e-9)
    return np.where(known, mean, np.nan), ", neighbours averaged"


def _spread(values: Floats) -> float:
    sound = values[np.isfinite(values)]
    return 1.4826 * float(np.median(np.abs(sound - np.median(sound)))) if len(sound) else 0.0


def _on_line(values: Floats, picture: SeamPicture) -> float:
    where = picture.outline_px[:, ::-1].T
    on = ndimage.map_coordinates(np.nan_to_num(values), where, order=1, mode="nearest")
    return abs(float(np.median(on)))


def _section_reach(values: Floats, picture: SeamPicture) -> float:
    """Return the grey (%) at which the window ends: a few times the scatter, or the line where that is more."""
    return max(2.5 * _spread(values), 1.2 * _on_line(values, picture), 0.1)


def face_seam_map(picture: FaceSeamPicture, part: Part) -> Figure:
    """Draw a flat seam seen along the axis, and beside it the mean grey over its area through depth."""
    feature = part.feature(picture.feature)
    values = 100 * picture.contrast.astype(float)
    rows, columns = values.shape
    known = np.isfinite(values)
    weight = ndimage.gaussian_filter(known.astype(float), 1.0)
    smooth = ndimage.gaussian_filter(np.where(known, values, 0.0), 1.0) / np.maximum(weight, 1e-9)
    values = np.where(known, smooth, np.nan)
    reach = max(float(np.percentile(np.abs(values[known]), 97)), 0.2) if known.any() else 1.0
    side_in = 3.9
    shrink = side_in / max(rows, columns)
    wide, tall = columns * shrink, rows * shrink
    height, width = max(tall, 2.4) + 0.95, wide + 5.35
    figure = Figure(figsize=(width, height), facecolor="white")
    axes = figure.add_axes((0.15 / width, 0.5 / height, wide / width, tall / height))
    _no_metal(axes)
    image = axes.imshow(np.ma.masked_invalid(values), cmap="gray", vmin=-reach, vmax=reach, interpolation="nearest")
    outline = picture.outline_px
    axes.plot(outline[:, 0], outline[:, 1], color="#ffffff", lw=2.4)
    axes.plot(outline[:, 0], outline[:, 1], color=ACCENT, lw=1.2, ls=(0, (4, 3)))
    axes.set_xlim(-0.5, columns - 0.5)
    axes.set_ylim(rows - 0.5, -0.5)
    axes.set_xticks([])
    axes.set_yticks([])
    for side in axes.spines.values():
        side.set_color(SOFT)
    scale_bar(axes, columns * _edges(part)[1], wide, tall)
    bar = figure.add_axes(((0.27 + wide) / width, 0.5 / height, 0.14 / width, tall / height))
    grey_bar(figure, image, bar)
    _words(bar, y="grey in the seam less that above and below, %")
    bar.yaxis.set_label_position("right")
    curve = figure.add_axes(((1.95 + wide) / width, 0.5 / height, 3.2 / width, (height - 0.95) / height))
    curve.plot(_edges(part)[0] * picture.depth_slices, 100 * picture.profile, color=INK, lw=1.2, marker="o", ms=3)
    if feature.depth_from_mm is not None:
        curve.axvline(feature.depth_from_mm.value, color=ACCENT, lw=1.4, ls=(0, (5, 2)))
    curve.axhline(0, color=SOFT, lw=0.8)
    _words(curve, x="depth, mm", y="mean grey over its area, %")
    figure.text(
        0.15 / width, 1 - 0.08 / height, plain(f"{feature.id} {kind_words(feature)}, seen along the axis", most=80),
        ha="left", va="top", fontsize=9.5, color=INK, family=FONT, parse_math=False,
    )  # fmt: skip
    return figure
