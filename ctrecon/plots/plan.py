"""Register pins on two neighbouring plates: where they may go, what keeps them out, where they go and stood."""

import math
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Circle, FancyArrowPatch, PathPatch
from matplotlib.path import Path
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from ctrecon.core.measured import format_value
from ctrecon.plots.style import ACCENT, FONT, INK, PALE, SOFT, plain
from ctrecon.workshop.plan.model import PlacedPin, Plan, Registration

__all__ = ["register_pins_chart"]

_WIDTH_IN, _MOST_HIGH_IN = 9.6, 5.2
_NAMES_IN = 2.15  # room for names on each side
_LINE_IN = 0.21  # from one name to the next
_SAME_MIDDLE_MM = 0.5
_MOVED_MM = 0.005  # what two decimals don't show is no move
_LEAST_PIN_MM = 0.45
_LETTERS = 9.2
_LETTERS_WIDE = 26  # of them in a line beside the plates


def register_pins_chart(plan: Plan, number: int = 0, *, before: Plan | None = None) -> Figure:
    """Draw the register pins of one pair of plates as seen from the top of the stack.

    Parameters
    ----------
    plan : Plan
        The plan.
    number : int
        Which of its pairs of plates, the topmost is 0.
    before : Plan or None
        Another plan of the same assembly: where its pins stood elsewhere, they are ringed.

    Returns
    -------
    Figure
        Outlines of both plates (the lower one dashed); hatched, where the centre of a pin may lie; keep-outs framed
        and crossed; what else keeps pins out, with its margin, dashed; pins black.
    """
    if not plan.registrations:
        figure = Figure(figsize=(_WIDTH_IN, 1.0), facecolor="white")
        figure.text(0.5, 0.5, "one plate needs no register pins", ha="center", fontsize=9, family=FONT, color=SOFT)
        return figure
    one = plan.registrations[number]
    outlines = [plan.assembly[ident].outline for ident in (one.upper, one.lower)]
    stood = _stood(one, before)
    axes, figure = _paper(outlines, 3 if stood else 2)
    for ring, dashes in zip(outlines, ("-", (0, (6, 2))), strict=True):
        _draw(axes, ring, facecolor="none", edgecolor=INK, lw=1.6, linestyle=dashes, zorder=4)
    _draw(axes, one.region, facecolor=PALE, edgecolor=SOFT, lw=0.6, hatch="///", zorder=1)
    for _, shape in one.obstacles:
        _draw(axes, shape, facecolor="none", edgecolor=SOFT, lw=0.9, linestyle=(0, (3, 2)), zorder=3)
    keep_outs = {k.name: k.shape for k in plan.assembly.keep_outs if {one.upper, one.lower} & set(k.plates)}
    for shape in keep_outs.values():
        _draw(axes, shape, facecolor="white", edgecolor=ACCENT, lw=1.4, hatch="xx", zorder=2)
    for pin in one.pins:
        _pin(axes, pin, stood.get(pin.id))
    _names(axes, one, keep_outs)
    names = [plan.assembly[ident].name for ident in (one.upper, one.lower)]
    apart = f", {format_value(one.distance_mm, 2)} mm apart" if len(one.pins) > 1 else ""
    says = [
        f"{' on '.join(names)}: {', '.join(pin.id for pin in one.pins)}{apart}; seen from the top, X right, Y up",
        "hatched: where the centre of a pin may lie; dashed: what keeps it out, with its margin; crossed: keep-outs",
    ]
    if stood:
        says.append(f"open rings: where {', '.join(stood)} stood before the last change")
    height = figure.get_size_inches()[1]
    for k, text in enumerate(says):
        figure.text(
            0.02, (0.2 * (len(says) - k) - 0.02) / height, plain(text, most=130), fontsize=_LETTERS, family=FONT,
            color=INK, va="center", parse_math=False,
        )  # fmt: skip
    return figure


def _paper(outlines: Sequence[Polygon], lines: int) -> tuple[Axes, Figure]:
    """Return axes in mm, one scale for both, with room for names beside and sentences below."""
    bounds = np.array([one.bounds for one in outlines])
    left, low = (float(v) for v in bounds[:, :2].min(axis=0))
    right, top = (float(v) for v in bounds[:, 2:].max(axis=0))
    wide, tall = right - left, top - low
    scale = min((_WIDTH_IN - 2 * _NAMES_IN) / wide, _MOST_HIGH_IN / tall)
    below, above = 0.25 + 0.2 * lines, 0.15
    height = below + above + max(tall * scale, 2.0)
    figure = Figure(figsize=(_WIDTH_IN, height), facecolor="white")
    at = ((_WIDTH_IN - wide * scale) / 2 / _WIDTH_IN, below / height)
    axes = figure.add_axes((*at, wide * scale / _WIDTH_IN, tall * scale / height))
    room = 0.02 * wide  # or the outline's line would be cut in half
    axes.set_xlim(left - room, right + room)
    axes.set_ylim(low - room, top + room)
    axes.set_aspect("equal")
    axes.set_axis_off()
    return axes, figure


def _rings(shape: BaseGeometry) -> Iterator[Polygon]:
    for one in getattr(shape, "geoms", [shape]):
        if isinstance(one, Polygon) and not one.is_empty:
            yield one


def _draw(axes: Axes, shape: BaseGeometry, **look: Any) -> None:
    for one in _rings(shape):
        paths = [Path(np.asarray(ring.coords), closed=True) for ring in (one.exterior, *one.interiors)]
        axes.add_patch(PathPatch(Path.make_compound_path(*paths), clip_on=False, **look))


def _stood(one: Registration, before: Plan | None) -> dict[str, PlacedPin]:
    """Return the pins of the same two plates that stood elsewhere, by id."""
    if before is None:
        return {}
    old = {
        pin.id: pin
        for other in before.registrations
        if (other.upper, other.lower) == (one.upper, one.lower)
        for pin in other.pins
    }
    now = {pin.id: pin for pin in one.pins}
    return {
        ident: pin
        for ident, pin in old.items()
        if ident in now and math.hypot(pin.x - now[ident].x, pin.y - now[ident].y) > _MOVED_MM
    }


def _pin(axes: Axes, pin: PlacedPin, stood: PlacedPin | None) -> None:
    radius = max(pin.entry_mm / 2, _LEAST_PIN_MM)
    if stood is not None:
        old = (stood.x, stood.y)
        axes.add_patch(Circle(old, radius, facecolor="white", edgecolor=INK, lw=1.2, zorder=6, clip_on=False))
        if math.hypot(pin.x - stood.x, pin.y - stood.y) > 3 * radius:
            axes.add_patch(
                FancyArrowPatch(
                    old, (pin.x, pin.y), arrowstyle="->", mutation_scale=9, color=INK, lw=1.0, zorder=7,
                    shrinkA=5, shrinkB=5, clip_on=False,
                )
            )  # fmt: skip
    axes.add_patch(Circle((pin.x, pin.y), radius, facecolor=INK, edgecolor="white", lw=0.8, zorder=8, clip_on=False))
    arm = 2.2 * radius
    for dx, dy in ((arm, 0.0), (0.0, arm)):
        axes.plot([pin.x - dx, pin.x + dx], [pin.y - dy, pin.y + dy], color=INK, lw=0.8, zorder=7, clip_on=False)
    left, right = axes.get_xlim()
    inwards = 1 if pin.x < (left + right) / 2 else -1
    axes.annotate(
        pin.id, (pin.x, pin.y), xytext=(inwards * 9, 9), textcoords="offset points", fontsize=9.5, weight="bold",
        ha="left" if inwards > 0 else "right", va="center", family=FONT, color=INK, zorder=9,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.8, "alpha": 0.9},
    )  # fmt: skip


def _clusters(one: Registration, keep_outs: Mapping[str, BaseGeometry]) -> list[tuple[str, float, float]]:
    """Return (name, x, y): what lies about one middle is named once, by the shortest of its names; keep-outs always."""
    out: list[tuple[list[str], float, float]] = []
    for name, shape in one.obstacles:
        if name in keep_outs:
            continue
        x, y = shape.centroid.x, shape.centroid.y
        same = next((names for names, a, b in out if math.hypot(x - a, y - b) < _SAME_MIDDLE_MM), None)
        if same is None:
            out.append(([name], x, y))
        else:
            same.append(name)
    named = [(min(names, key=len), x, y) for names, x, y in out]
    return named + [(name, shape.centroid.x, shape.bounds[3]) for name, shape in keep_outs.items()]


def _names(axes: Axes, one: Registration, keep_outs: Mapping[str, BaseGeometry]) -> None:
    """Set the names of what keeps pins out in a column on each side, each with a line to its place."""
    left, right = axes.get_xlim()
    low, top = axes.get_ylim()
    mm_per_in = (right - left) / (axes.get_position().width * _WIDTH_IN)
    step, middle = _LINE_IN * mm_per_in, (left + right) / 2
    for side in (-1, 1):
        some = sorted((p for p in _clusters(one, keep_outs) if (p[1] > middle) == (side > 0)), key=lambda p: -p[2])
        mine = [(textwrap.wrap(plain(name), _LETTERS_WIDE) or ["?"], x, y) for name, x, y in some]
        column = (right if side > 0 else left) + side * 0.3 * mm_per_in
        free, left_over = top, sum(len(lines) for lines, _, _ in mine)
        for lines, x, y in mine:
            left_over -= len(lines)
            at = min(max(min(free, y), low + step * left_over), free)
            free = at - step * len(lines)
            for colour, width in (("white", 2.4), (INK, 0.7)):
                axes.plot(
                    [x, column - side * 0.18 * mm_per_in, column - side * 0.04 * mm_per_in], [y, at, at],
                    color=colour, lw=width, zorder=5, clip_on=False,
                )  # fmt: skip
            axes.plot([x], [y], marker="o", ms=2.2, color=INK, zorder=5, clip_on=False)
            axes.text(
                column, at + 0.4 * step, "\n".join(lines), ha="left" if side > 0 else "right", va="top",
                fontsize=_LETTERS, family=FONT, color=INK, parse_math=False, clip_on=False,
            )  # fmt: skip
