"""How a rim was divided: the error of every tooth, the step where the circle was closed, and the divider's habits."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ctrecon.core.errors import InputError
from ctrecon.core.frames import Floats
from ctrecon.core.measured import Measured, format_percent, format_value
from ctrecon.teeth.divider import Habit, habits_of
from ctrecon.teeth.rim import SURE_CENTRE, Centre, Rim, read_rim

__all__ = ["Division", "Harmonic", "ToothError", "division_of"]


@dataclass(frozen=True)
class ToothError:
    """One tooth: its number round the rim, where it is and would be at equal steps, and its errors (degrees).

    `step_error_deg` is the step from the tooth before, less the equal step; None for the first of a stretch.
    """

    number: int
    angle_deg: float
    equal_deg: float
    error_deg: Measured
    step_error_deg: float | None
    bent: bool


@dataclass(frozen=True)
class Harmonic:
    """One wave of the errors round a whole rim: waves per turn, amplitude (degrees, with u) and where it is highest."""

    order: int
    amplitude_deg: Measured
    highest_deg: float


@dataclass(frozen=True)
class Division:
    """The division of a rim.

    Attributes
    ----------
    teeth : int
        The count the errors are taken for.
    table : tuple of ToothError
        Every tooth that is left.
    rms_deg : Measured
        Root mean square error about equal steps, degrees.
    worst : int
        Number of the tooth with the largest error.
    eccentric_mm : Measured or None
        Distance of the division's centre from the one the angles were taken about; whole rims only.
    harmonics : tuple of Harmonic
        Of a whole rim; empty otherwise.
    habits : tuple of Habit
        What chance would hardly do, least likely first.
    reason : str
        One sentence; like those of the habits it numbers the teeth from 1.
    """

    teeth: int
    table: tuple[ToothError, ...]
    rms_deg: Measured
    worst: int
    eccentric_mm: Measured | None
    harmonics: tuple[Harmonic, ...]
    habits: tuple[Habit, ...]
    reason: str


def division_of(
    runs: Sequence[Sequence[Measured]],
    teeth: int,
    *,
    radius: float,
    centre: Centre = SURE_CENTRE,
    numbers: Sequence[int] | None = None,
) -> Division:
    """Return the errors of each tooth about equal steps, and what they say about the divider.

    Parameters
    ----------
    runs : sequence of sequences of Measured
        As for `count_teeth`.
    teeth : int
        The count.
    radius : float
        At which the angles were taken, mm.
    centre : Centre
        Uncertainty of the centre, mm; it is part of u of every error.
    numbers : sequence of int or None
        Number of each tooth (`CountOfTeeth.numbers`); None takes the nearest whole steps over lost parts.

    Notes
    -----
    The mean error is zero: the turn of the wheel is free. A step or every part is judged against the others by
    Student's t and Fisher's F, times the places tried (Bonferroni); every by-th tooth by its harmonic against those
    beside it.
    """
    rim = read_rim(runs)
    count = len(rim.angles)
    if count > teeth:
        raise InputError(f"{count} teeth are left, so the wheel can't have had {teeth}; give a larger count")
    pitch = 2 * np.pi / teeth
    given = None if numbers is None else np.asarray(numbers, dtype=float)
    where = _numbered(rim, pitch) if given is None else given
    if len(where) != count or np.any(np.diff(where) < 1) or where[-1] - where[0] >= teeth:
        raise InputError(
            f"the numbers of the teeth don't rise within one turn of {teeth}; give one per tooth, in order"
        )
    error = rim.angles - rim.angles[0] - pitch * where
    weight = 1 / rim.u**2
    phase = float(np.sum(weight * error) / weight.sum())
    error = error - phase
    u = np.hypot(rim.u, np.hypot(centre.u_x, centre.u_y) / np.sqrt(2) / radius)
    rows = _rows(rim, where, error, u, pitch, phase)
    whole = count == teeth
    harmonics = _harmonics(rim, error) if whole else ()
    habits = habits_of(rim, where, error, pitch, whole)
    rms = float(np.sqrt(np.mean(error**2)))
    worst = int(np.argmax(np.abs(error)))
    off = _eccentric(harmonics[0], radius, centre) if whole else None
    says = (
        f"{count} of {teeth} teeth are off equal steps by {format_value(float(np.degrees(rms)), 3)}° root mean square "
        f"({format_percent(rms / pitch, 1)} of a pitch), tooth {int(where[worst]) + 1} most, by "
        f"{format_value(float(np.degrees(error[worst])), 3, sign=True)}°"
    )
    told = "; ".join(one.reason for one in habits) or "no habit of the divider shows beyond chance"
    u_rms = float(np.degrees(np.sqrt(np.mean(u**2)) / np.sqrt(count)))
    return Division(
        teeth,
        rows,
        Measured(float(np.degrees(rms)), u_rms),
        int(where[worst]),
        off,
        harmonics,
        habits,
        f"{says}; {told}",
    )


def _eccentric(first: Harmonic, radius: float, centre: Centre) -> Measured:
    """Return the offset (mm) of the division's centre that one wave per turn amounts to."""
    amplitude = first.amplitude_deg
    known = float(np.hypot(centre.u_x, centre.u_y)) / np.sqrt(2)
    u = float(np.hypot(np.radians(amplitude.u or 0.0) * radius, known))
    return Measured(float(np.radians(amplitude.value)) * radius, u)


def _numbered(rim: Rim, pitch: float) -> Floats:
    """Return the number of each tooth by nearest whole steps."""
    steps = np.ones(len(rim.angles))
    steps[0] = 0
    for first in rim.first_of[1:]:
        steps[first] = max(round((rim.angles[first] - rim.angles[first - 1]) / pitch), 1)
    return np.cumsum(steps)


def _rows(rim: Rim, where: Floats, error: Floats, u: Floats, pitch: float, phase: float) -> tuple[ToothError, ...]:
    """Return the table."""
    inside = set(rim.inside)
    equal = rim.angles[0] + phase + pitch * where
    return tuple(
        ToothError(
            int(where[i]),
            float(np.degrees(rim.angles[i])) % 360,
            float(np.degrees(equal[i])) % 360,
            Measured(float(np.degrees(error[i])), float(np.degrees(u[i]))),
            float(np.degrees(error[i] - error[i - 1])) if i in inside else None,
            i in rim.bent,
        )
        for i in range(len(error))
    )


def _harmonics(rim: Rim, error: Floats) -> tuple[Harmonic, ...]:
    """Return the waves of a whole rim's errors; u is that of the angles alone."""
    n = len(error)
    waves = np.fft.rfft(error)
    found = []
    for order in range(1, n // 2 + 1):
        share = 1 if 2 * order == n else 2
        u = float(np.sqrt(share * np.mean(rim.u**2) / n))
        start = float(np.degrees(rim.angles[0]))
        highest = (start - float(np.degrees(np.angle(waves[order]))) / order) % (360 / order)
        amplitude = float(np.degrees(share * abs(waves[order]) / n))
        found.append(Harmonic(order, Measured(amplitude, float(np.degrees(u))), highest))
    return tuple(found)
