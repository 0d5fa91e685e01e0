"""The order of DICOM slices: by their place along the normal of the slices, never by name.

Rows and columns span a slice; the cross product of column direction (along a row) and row
direction (down a column) is the direction in which depth grows, so that a stack put into
this order is right-handed whichever way the files were numbered (DICOM PS3.3, C.7.6.2.1.1).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ctrecon.core.errors import InputFileError
from ctrecon.core.frames import Floats
from ctrecon.slices.naming import Series

__all__ = ["Order", "SliceHeader", "order_slices"]

_DIRECTION_TOL = 1e-3
_SAME_PLACE = 0.01
_UNEVEN = 0.05
_SIDEWAYS = 0.1


@dataclass(frozen=True)
class SliceHeader:
    """What the header of one slice says about its place.

    Attributes
    ----------
    name : str
        File name, or ``"page 3"``.
    series, series_says : str
        The identity of the series, and how a message names it.
    number : float or None
        Its number in the series.
    position_mm : (float, float, float) or None
        Centre of the first pixel in space.
    directions : six floats or None
        Unit vectors along a row and down a column.
    in_plane_mm : (float, float) or None
        (dy, dx).
    between_mm, thickness_mm : float or None
        Spacing of the slices and thickness of one, as stated.
    """

    name: str
    series: str
    series_says: str
    number: float | None
    position_mm: tuple[float, ...] | None
    directions: tuple[float, ...] | None
    in_plane_mm: tuple[float, ...] | None
    between_mm: float | None
    thickness_mm: float | None


@dataclass(frozen=True)
class Order:
    """Depth order: indices into the headers (None where a slice is missing), spacing, how it is known."""

    places: tuple[int | None, ...]
    series: Series
    dz_mm: float | None
    placed: bool


def order_slices(headers: Sequence[SliceHeader], *, label: str) -> Order:
    """Put the slices of one series into depth order.

    Parameters
    ----------
    headers : sequence of SliceHeader
        At least one, in any order.
    label : str
        What the messages call the file or folder.

    Returns
    -------
    Order
        `placed` tells whether the order comes from positions, so that handedness is known.

    Raises
    ------
    InputFileError
        For several series, slices of different directions, two slices in one place, uneven
        steps, slices shifted sideways, or headers that state no order at all.
    """
    _refuse_other_series(headers, label)
    where = [header.position_mm is not None and header.directions is not None for header in headers]
    if len(headers) == 1:
        only = headers[0]
        dz_mm = only.thickness_mm if only.thickness_mm is not None else only.between_mm
        return Order((0,), Series((only.name,)), dz_mm, where[0])
    if all(where):
        along = _along_normal(headers, label)
        places, series, step = _in_order(headers, along, label, unit=" mm")
        return Order(places, series, step, True)
    if any(where):
        lacking = headers[where.index(False)].name
        msg = f"{label} holds slices with and without a stated position, for example {lacking} without; export it again"
        raise InputFileError(msg)
    numbers = [header.number for header in headers]
    if any(number is None for number in numbers):
        lacking = headers[numbers.index(None)].name
        msg = (
            f"{label} cannot be put into order, for {lacking} states neither its position nor its number; "
            "export it with positions, or save the slices as numbered TIFF files"
        )
        raise InputFileError(msg)
    places, series, _ = _in_order(headers, np.array(numbers, dtype=float), label, unit="")
    between = {header.between_mm for header in headers}
    return Order(places, series, between.pop() if len(between) == 1 else None, False)


def _refuse_other_series(headers: Sequence[SliceHeader], label: str) -> None:
    groups: dict[str, list[SliceHeader]] = {}
    for header in headers:
        groups.setdefault(header.series, []).append(header)
    if len(groups) == 1:
        return
    one, other = sorted(groups.values(), key=lambda group: (-len(group), group[0].name))[:2]
    msg = (
        f"{label} holds {len(groups)} series, for example {one[0].series_says} with {one[0].name} "
        f"({len(one)} in all) and {other[0].series_says} with {other[0].name} ({len(other)} in all); "
        "put each series into a folder of its own"
    )
    raise InputFileError(msg)


def _along_normal(headers: Sequence[SliceHeader], label: str) -> Floats:
    """Place of each slice along the common normal, mm."""
    directions = np.array([header.directions for header in headers], dtype=float)
    across, down = directions[0, :3], directions[0, 3:]
    square = [across @ across - 1, down @ down - 1, across @ down]
    if np.abs(square).max() > _DIRECTION_TOL:
        msg = f"{label}: {headers[0].name} states directions of rows and columns that are not square; export it again"
        raise InputFileError(msg)
    turned = np.abs(directions - directions[0]).max(axis=1) > _DIRECTION_TOL
    if turned.any():
        msg = (
            f"{label} holds slices that face different ways, for example {headers[0].name} and "
            f"{headers[int(np.argmax(turned))].name}; put each direction into a folder of its own"
        )
        raise InputFileError(msg)
    normal = np.cross(across, down)
    places = np.array([header.position_mm for header in headers], dtype=float)
    along = np.asarray(places @ normal)
    aside = places - along[:, np.newaxis] * normal
    first, last = int(np.argmin(along)), int(np.argmax(along))
    drift = np.linalg.norm(aside - aside[first], axis=1)
    pixel = headers[0].in_plane_mm
    least = min(pixel) if pixel is not None else float(along[last] - along[first]) / (len(headers) - 1)
    if drift.max() > _SIDEWAYS * least > 0:
        msg = (
            f"{label} holds slices that are shifted sideways, {headers[int(np.argmax(drift))].name} by "
            f"{drift.max():.3g} mm from {headers[first].name}, as a leaning scanner leaves them; "
            "have them resampled square to their depth first"
        )
        raise InputFileError(msg)
    return along


def _in_order(
    headers: Sequence[SliceHeader], along: Floats, label: str, *, unit: str
) -> tuple[tuple[int | None, ...], Series, float]:
    """Sort by place, keep an empty place for every slice that is missing, return the even step."""
    order = sorted(range(len(headers)), key=lambda at: (along[at], headers[at].name))
    names = [headers[at].name for at in order]
    sorted_along = along[order]
    gaps = np.diff(sorted_along)
    positive = gaps[gaps > 1e-6]
    usual = float(np.median(positive)) if positive.size else 0.0
    same = int(np.argmin(gaps))
    if gaps[same] <= _SAME_PLACE * usual:
        what = "lie in one place" if unit else "carry the same number"
        msg = f"{label} holds {names[same]} and {names[same + 1]}, which {what}; remove one of them"
        raise InputFileError(msg)
    base = float(np.median(gaps[gaps < 1.5 * gaps.min()]))
    counts = np.maximum(np.rint(gaps / base), 1).astype(int)
    step = float(gaps.sum() / counts.sum())
    slip = np.abs(sorted_along - sorted_along[0] - step * np.concatenate([[0], np.cumsum(counts)]))
    if slip.max() > _UNEVEN * step:
        worst = int(np.argmax(np.abs(gaps / base - counts)))
        msg = (
            f"{label} is not stepped evenly: from {names[worst]} to {names[worst + 1]} it is {gaps[worst]:.4g}{unit} "
            f"where most steps are {usual:.4g}{unit}; export slices at even steps"
        )
        raise InputFileError(msg)
    absent = int(counts.sum()) - len(gaps)
    if absent > len(headers):
        at = int(np.argmax(counts))
        msg = (
            f"{label} lacks {absent} slices and holds {len(headers)}, with the widest gap after {names[at]}; "
            "put the missing slices back"
        )
        raise InputFileError(msg)
    places: list[int | None] = []
    found: list[str] = []
    phrases: list[str] = []
    for at, name, count in zip(order, names, [*counts, 1], strict=True):
        lost = int(count) - 1
        places.extend([at, *[None] * lost])
        found.extend([name, *[""] * lost])
        phrases.extend([f"{lost} after {name}"] if lost else [])
    missing = tuple(at for at, place in enumerate(places) if place is None)
    return tuple(places), Series(tuple(found), missing, tuple(phrases)), step
