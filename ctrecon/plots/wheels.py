"""Toothed wheels: teeth left over the wheel to make, one tooth beside its forms, odds of the count, division errors."""

import math
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch
from matplotlib.path import Path

from ctrecon.core.frames import Floats
from ctrecon.core.measured import format_percent, format_value
from ctrecon.plots.style import ACCENT, FONT, INK, PALE, SOFT, plain
from ctrecon.teeth.counts import CERTAIN
from ctrecon.teeth.divider import Habit
from ctrecon.workshop.wheels.outline import points_of, wheel_outline
from ctrecon.workshop.wheels.plan import PlannedWheel

__all__ = [
    "count_chart", "division_chart", "draw_count", "draw_division", "draw_tooth", "draw_wheel", "tooth_chart",
    "wheel_chart",
]  # fmt: skip

_LETTERS = 8.0
_LEAST_SHOWN = 0.001
"""Counts less likely than this have no bar."""

_MOST_BARS = 12


def wheel_chart(wheel: PlannedWheel) -> Figure:
    """Draw the wheel to make with the teeth that are left marked on it, as seen in the slices.

    Parameters
    ----------
    wheel : PlannedWheel
        One wheel of the plan, with a count.

    Returns
    -------
    Figure
        A dot outside each tooth that is left: filled where its tip is whole, open where it is worn or broken, crossed
        where it is bent; teeth that are lost are dashed.
    """
    return _alone(draw_wheel, wheel, (6.4, 6.4), (0.02, 0.02, 0.96, 0.92))


def tooth_chart(wheel: PlannedWheel) -> Figure:
    """Draw one tooth enlarged: as found, and by the forms of the standards for the same tips.

    Parameters
    ----------
    wheel : PlannedWheel
        One wheel of the plan, with a count.
    """
    return _alone(draw_tooth, wheel, (5.0, 4.4), (0.02, 0.02, 0.96, 0.86))


def count_chart(wheel: PlannedWheel) -> Figure:
    """Draw the odds of each count as bars: open by the rim alone, filled by rim and mates together.

    Parameters
    ----------
    wheel : PlannedWheel
        One wheel of the plan, with a count.
    """
    return _alone(draw_count, wheel, (5.0, 3.0), (0.12, 0.18, 0.85, 0.66))


def division_chart(wheel: PlannedWheel) -> Figure:
    """Draw the errors of the teeth about equal steps, and of the steps, with the divider's habits marked.

    Parameters
    ----------
    wheel : PlannedWheel
        One wheel of the plan, with a division.

    Returns
    -------
    Figure
        Above, each tooth with its U; below, each step from the tooth before. An upright line where the circle was
        closed or a part begins; rings round every second, third or fourth tooth that was set apart.
    """
    figure = Figure(figsize=(9.6, 4.4), facecolor="white")
    upper, lower = figure.add_axes((0.075, 0.45, 0.855, 0.44)), figure.add_axes((0.075, 0.12, 0.855, 0.26))
    draw_division(upper, lower, wheel)
    return figure


def _alone(
    draw: Callable[[Axes, PlannedWheel], None], wheel: PlannedWheel, size: tuple[float, float],
    box: tuple[float, float, float, float],
) -> Figure:  # fmt: skip
    figure = Figure(figsize=size, facecolor="white")
    draw(figure.add_axes(box), wheel)
    return figure


def _say(axes: Axes, text: str, x: float, y: float, **look: Any) -> None:
    given: dict[str, Any] = {"fontsize": _LETTERS, "family": FONT, "color": INK, "parse_math": False, **look}
    axes.text(x, y, plain(text, most=160), **given)


def _title(axes: Axes, text: str) -> None:
    axes.set_title(plain(text, most=160), fontsize=9, family=FONT, color=INK, loc="left", parse_math=False)


def _bare(axes: Axes) -> None:
    axes.set_aspect("equal")
    axes.set_axis_off()


def _plainly(axes: Axes) -> None:
    axes.tick_params(labelsize=_LETTERS, labelfontfamily=FONT, colors=INK)
    for name, side in axes.spines.items():
        side.set_visible(name in ("left", "bottom"))
        side.set_color(SOFT)


def _ring(axes: Axes, points: Floats, **look: Any) -> None:
    given: dict[str, Any] = {"facecolor": "none", "edgecolor": INK, "lw": 1.0, **look}
    axes.add_patch(PathPatch(Path(np.vstack([points, points[:1]]), closed=True), **given))


def draw_wheel(axes: Axes, wheel: PlannedWheel) -> None:
    """Draw the wheel to make and mark the teeth that are left on axes of its own."""
    make, feature = wheel.make, wheel.found.feature
    _bare(axes)
    axes.invert_yaxis()  # as the slices are seen
    if wheel.found.is_crown and feature.tooth_width_mm and feature.diameter_mm and feature.inner_diameter_mm:
        _crown(axes, wheel, feature.diameter_mm.value / 2, feature.inner_diameter_mm.value / 2)
        return
    if make is None or wheel.teeth is None:
        _say(axes, "not made: " + wheel.unknown.get("make", ""), 0.5, 0.5, transform=axes.transAxes, ha="center")
        return
    tip = make.sizes.blank_diameter.value / 2
    _ring(axes, points_of(make.outline), facecolor=PALE, edgecolor=INK, lw=0.9)
    windows = [] if make.crossing is None else [np.asarray(one.exterior.coords) for one in make.crossing.windows]
    as_found = [one for one in wheel.found.windows if not (one.is_free and windows)]
    bore = () if wheel.found.bore is None else (wheel.found.bore,)
    for points in (*windows, *(points_of(one.vertices) for one in (*as_found, *bore))):
        _ring(axes, points, facecolor="white")
    pitch = 2 * math.pi / wheel.teeth
    table = () if wheel.division is None else wheel.division.table
    first = math.radians(table[0].equal_deg) - table[0].number * pitch if table else 0.0
    there = {row.number % wheel.teeth: k for k, row in enumerate(table)}
    kinds = {"whole": 0, "worn or broken": 0, "bent": 0, "lost": 0}
    for k in range(wheel.teeth):
        place = feature.tooth_places[there[k]] if k in there else None
        turn = first + k * pitch if place is None else math.radians(place.angle_deg.value)
        bent = place is not None and (place.bent or table[there[k]].bent)
        kind = "lost" if place is None else "bent" if bent else "whole" if place.whole else "worn or broken"
        kinds[kind] += 1
        _mark(axes, kind, tip, turn, pitch)
        _number(axes, k, 1.13 * tip, turn)
    _about_centre(axes, tip)
    says = ", ".join(f"{_SIGNS[kind]} {many} {kind}" for kind, many in kinds.items() if many)
    _title(axes, f"{wheel.found.name}: {wheel.teeth} teeth to make; {says}")


def _crown(axes: Axes, wheel: PlannedWheel, outer: float, inner: float) -> None:
    """Draw the teeth of a crown where they were found, as at half their height."""
    feature = wheel.found.feature
    half = (feature.tooth_width_mm.value if feature.tooth_width_mm else 0.0) / (outer + inner)
    around = np.linspace(0, 2 * math.pi, 181)[:-1]
    for radius in (outer, inner):
        _ring(axes, radius * np.column_stack([np.cos(around), np.sin(around)]), edgecolor=SOFT, lw=0.7)
    for k, one in enumerate(feature.tooth_places):
        turn = math.radians(one.angle_deg.value)
        sweep = np.linspace(turn - half, turn + half, 9)
        rim = np.column_stack([np.cos(sweep), np.sin(sweep)])
        _ring(axes, np.vstack([outer * rim, inner * rim[::-1]]), facecolor=PALE, lw=0.9)
        _number(axes, k, 1.1 * outer, turn)
    _about_centre(axes, outer)
    _title(axes, f"{wheel.found.name}: teeth of the crown as found, as at half their height")


def _number(axes: Axes, tooth: int, far: float, turn: float) -> None:
    """Write the number of the first and of every fifth tooth."""
    if tooth == 0 or (tooth + 1) % 5 == 0:
        _say(axes, str(tooth + 1), far * math.cos(turn), far * math.sin(turn), ha="center", va="center", color=SOFT)


def _about_centre(axes: Axes, radius: float) -> None:
    """Give a wheel of this radius its room, Y down as in the slices, and mark its centre."""
    axes.set_xlim(-1.2 * radius, 1.2 * radius)
    axes.set_ylim(1.2 * radius, -1.2 * radius)
    axes.plot([0], [0], "+", color=SOFT, ms=9)


_MARKS: dict[str, dict[str, Any]] = {
    "whole": {"marker": "o", "mfc": INK, "mec": INK}, "worn or broken": {"marker": "o", "mfc": "white", "mec": INK},
    "bent": {"marker": "X", "mfc": ACCENT, "mec": ACCENT},
}  # fmt: skip
"""How a tooth that is left is marked outside its tip."""

_SIGNS = {"whole": "●", "worn or broken": "○", "bent": "✖", "lost": "┄"}
"""The same marks in words."""


def _mark(axes: Axes, kind: str, tip: float, turn: float, pitch: float) -> None:
    if kind == "lost":
        sweep = np.linspace(turn - 0.5 * pitch, turn + 0.5 * pitch, 8)
        axes.plot(1.05 * tip * np.cos(sweep), 1.05 * tip * np.sin(sweep), color=ACCENT, lw=1.2, ls=(0, (2, 1.5)))
        return
    x, y = 1.05 * tip * math.cos(turn), 1.05 * tip * math.sin(turn)
    axes.plot([x], [y], ls="none", ms=5.0 if kind == "bent" else 3.6, **_MARKS[kind])


_LOOKS: Sequence[tuple[str, Any]] = ((INK, "-"), (ACCENT, (0, (5, 2))), (SOFT, (0, (1.5, 1.5))))


def draw_tooth(axes: Axes, wheel: PlannedWheel) -> None:
    """Draw one tooth as found (filled) and the forms of the standards on axes of its own, tip up."""
    make, feature = wheel.make, wheel.found.feature
    _bare(axes)
    if make is None or wheel.teeth is None:
        _say(axes, "" if wheel.found.is_crown else "not made", 0.5, 0.5, transform=axes.transAxes, ha="center")
        return
    root = min(one.sizes.root_diameter.value for one in make.forms) / 2
    tip = max(make.sizes.blank_diameter.value, *(one.sizes.blank_diameter.value for one in make.forms)) / 2
    tall = tip - root
    if feature.flank is not None and len(feature.flank.profile_mm) > 2:
        radius, half = np.array(sorted(feature.flank.profile_mm)).T
        up = np.sqrt(np.maximum(radius**2 - half**2, 0))
        points = np.column_stack([np.concatenate([half, -half[::-1]]), np.concatenate([up, up[::-1]])])
        axes.fill(points[:, 0], points[:, 1], facecolor=PALE, edgecolor=INK, lw=1.6)
    wide = 1.05 * math.pi * tip / wheel.teeth
    lines = [("as found (filled)", _LOOKS[0])]
    for one, look in zip(make.forms, _LOOKS[1:], strict=False):
        outline = points_of(wheel_outline(one.sizes, turn_deg=90.0), step_deg=1.0)
        outline = np.roll(outline, -int(np.argmin(outline[:, 1])), axis=0)  # begin opposite: its tooth stays in one
        near = outline[(np.abs(outline[:, 0]) < wide) & (outline[:, 1] > 0)]
        axes.plot(near[:, 0], near[:, 1], color=look[0], ls=look[1], lw=1.5)
        fits = "agrees" if one.beside.agrees else "does not agree"
        lines.append((f"{one.sizes.form}, module {format_value(one.sizes.module.value, 3)}: {fits}", look))
    for k, (text, look) in enumerate(lines):
        y = root - (0.14 + 0.13 * k) * tall
        thick: dict[str, Any] = {"lw": 1.8} if k else {"lw": 5.0, "alpha": 0.3}
        axes.plot([-wide, -0.8 * wide], [y, y], color=look[0], ls=look[1], **thick)
        _say(axes, text, -0.74 * wide, y, va="center")
    axes.set_xlim(-1.02 * wide, 1.02 * wide)
    axes.set_ylim(root - (0.2 + 0.13 * len(lines)) * tall, tip + 0.06 * tall)
    bar = next((one for one in (5.0, 2.0, 1.0, 0.5, 0.2, 0.1) if one < 0.8 * wide), 0.05)
    y = tip - 0.05 * tall
    axes.plot([wide - bar, wide], [y, y], color=INK, lw=2.0, solid_capstyle="butt")
    _say(axes, f"{bar:g} mm", wide - bar / 2, y - 0.03 * tall, ha="center", va="top")
    _title(axes, "one tooth enlarged")


def draw_count(axes: Axes, wheel: PlannedWheel) -> None:
    """Draw the odds of each count on axes of its own."""
    rim, now = wheel.found.odds, dict(wheel.odds)
    shown = sorted({n for odds in (rim, now) for n, p in odds.items() if p >= _LEAST_SHOWN})
    likely = sorted(shown, key=lambda n: -max(rim.get(n, 0.0), now.get(n, 0.0)))[:_MOST_BARS]
    shown = [n for n in shown if n in likely]
    both = any(abs(now.get(n, 0.0) - rim.get(n, 0.0)) > 1e-9 for n in shown)
    for k, n in enumerate(shown):
        if both:
            axes.bar(k, rim.get(n, 0.0), width=0.72, facecolor="white", edgecolor=SOFT, lw=1.0, hatch="///")
        p = now.get(n, 0.0)
        colour = ACCENT if n == wheel.teeth else SOFT
        axes.bar(k, p, width=0.4 if both else 0.6, facecolor=colour, edgecolor=INK, lw=0.8)
        text = "> 99.9 %" if 0.9995 <= p < 1 else format_percent(p, 0 if 0.1 < p < 0.9 or p == 1 else 1)
        _say(axes, text, k, max(p, rim.get(n, 0.0) if both else 0.0) + 0.02, ha="center")
    axes.axhline(CERTAIN, color=INK, lw=0.9, ls=(0, (4, 2)))
    axes.set_xticks(range(len(shown)), [str(n) for n in shown])
    axes.set_xlim(-1.0, max(len(shown), 1))
    axes.set_ylim(0, 1.12)
    axes.set_yticks([0, 0.5, CERTAIN], ["0", "50 %", "95 %"])
    _plainly(axes)
    axes.set_xlabel("teeth", fontsize=_LETTERS, family=FONT, color=INK)
    _title(axes, "odds: by the rim hatched, with mates filled" if both else "odds of the count by its rim")


def draw_division(upper: Axes, lower: Axes, wheel: PlannedWheel) -> None:
    """Draw the errors of the teeth on the upper axes and of the steps on the lower, with the divider's habits."""
    division, teeth = wheel.division, wheel.teeth
    if division is None or teeth is None:
        for axes in (upper, lower):
            axes.set_axis_off()
        _say(upper, wheel.unknown.get("division", "no division"), 0.5, 0.5, transform=upper.transAxes, ha="center")
        return
    number = np.array([row.number for row in division.table])
    error = np.array([row.error_deg.value for row in division.table])
    spread = 2 * np.array([row.error_deg.u or 0.0 for row in division.table])
    places = wheel.found.feature.tooth_places
    bent = np.array([row.bent or place.bent for row, place in zip(division.table, places, strict=True)])
    for axes in (upper, lower):
        axes.axhline(0, color=SOFT, lw=0.8)
        axes.set_xlim(-0.9, teeth - 0.1)
        _plainly(axes)
        _shade_lost(axes, number, teeth)
    starts = [k for k, row in enumerate(division.table) if row.step_error_deg is None]
    for a, b in zip(starts, [*starts[1:], len(number)], strict=True):
        sound = np.arange(a, b)[~bent[a:b]]
        upper.plot(number[sound], error[sound], color=SOFT, lw=0.9, zorder=2)
    upper.errorbar(number, error, spread, fmt="none", ecolor=SOFT, elinewidth=0.8, zorder=2)
    upper.plot(number[~bent], error[~bent], "o", ms=3.6, color=INK, zorder=3)
    upper.plot(number[bent], error[bent], "X", ms=7, color=ACCENT, zorder=3)
    steps = {row.number: row.step_error_deg for row in division.table if row.step_error_deg is not None}
    if len(number) == teeth:  # a whole rim has a step from its last tooth to its first
        steps[int(number[0])] = float(error[0] - error[-1])
    lower.bar([*steps], [*steps.values()], width=0.6, color=SOFT)
    reach = 1.25 * float(max((np.abs(error) + spread)[~bent].max(initial=0.0), 1e-6))
    upper.set_ylim(-reach, 1.5 * reach)  # room above for what is said of habits
    for row, off in zip(division.table, error, strict=True):
        if abs(off) > reach:  # a bent tooth far off is named at the edge
            text = f"{row.number + 1}: {format_value(off, 2, sign=True)}°"
            _say(upper, text, row.number, math.copysign(0.85 * reach, off), ha="center", color=ACCENT)
    beside_bent = {int(n) + k for n in number[bent] for k in (0, 1)}
    most = 1.3 * max((abs(one) for n, one in steps.items() if n not in beside_bent), default=0.0)
    if most > 0:
        lower.set_ylim(-most, most)
    for k, habit in enumerate(division.habits[:3]):
        _show_habit(upper, lower, habit, teeth, k, number, error)
    percent = upper.twinx()  # the same scale in parts of a pitch
    low, high = upper.get_ylim()
    percent.set_ylim(low * teeth / 3.6, high * teeth / 3.6)
    for side in percent.spines.values():
        side.set_visible(False)
    percent.tick_params(labelsize=_LETTERS, labelfontfamily=FONT, colors=INK)
    percent.set_ylabel("% of a pitch", fontsize=_LETTERS, family=FONT, color=INK)
    upper.set_ylabel("tooth off, °", fontsize=_LETTERS, family=FONT, color=INK)
    lower.set_ylabel("step off, °", fontsize=_LETTERS, family=FONT, color=INK)
    lower.set_xlabel("tooth, clockwise as the slices are seen", fontsize=_LETTERS, family=FONT, color=INK)
    every = max(1, round(teeth / 12 / 5) * 5) if teeth > 12 else 1
    ticks = sorted({0, *range(every - 1, teeth, every)})
    for axes in (upper, lower):
        axes.set_xticks(ticks, [str(k + 1) for k in ticks])
    _title(upper, f"errors about {teeth} equal steps, with U (k = 2); shaded: lost")


def _shade_lost(axes: Axes, number: Floats, teeth: int) -> None:
    there = {int(n) % teeth for n in number}
    for k in range(teeth):
        if k not in there:
            axes.axvspan(k - 0.5, k + 0.5, facecolor=PALE, edgecolor="none", zorder=0)


def _show_habit(
    upper: Axes, lower: Axes, habit: Habit, teeth: int, row: int, number: Floats, error: Floats
) -> None:
    """Mark what the divider did: lines where steps close or parts begin, rings round every by-th tooth."""
    low, high = upper.get_ylim()
    size = f"{format_value(habit.size_deg, 3, sign=habit.kind != 'parts')}°"
    if habit.kind == "every":
        some = (number - habit.at) % habit.by == 0
        upper.plot(number[some], error[some], "o", ms=8, mfc="none", mec=ACCENT, mew=1.1, zorder=4)
        text = f"ringed: every {habit.by}. tooth, {size} off the others: pitches divided by {habit.by}"
    elif habit.kind == "parts":
        at = [(habit.at + k * teeth // habit.by) % teeth for k in range(habit.by)]
        for axes in (upper, lower):
            for k in at:
                axes.axvline(k, color=ACCENT, lw=1.1, ls=(0, (1.5, 2)))
        text = f"dotted: {habit.by} corners marked first, {size} off"
    else:
        each = teeth // habit.by
        at = [(habit.at + k * each) % teeth for k in range(habit.by)]
        for axes in (upper, lower):
            for k in at:
                axes.axvline(k - 0.5, color=ACCENT, lw=1.3, ls=(0, (5, 2)))
        what = "the circle" if habit.by == 1 else f"each of {habit.by} parts"
        text = f"dashed: {what} closed before tooth {habit.at + 1}, the step {size} off"
    _say(
        upper, text, -0.4, high - (0.07 + 0.11 * row) * (high - low), color=ACCENT, va="center",
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0}, zorder=6,
    )  # fmt: skip
