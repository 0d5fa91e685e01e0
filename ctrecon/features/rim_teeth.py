"""What the record says of the teeth of any wheel from where they stand: stretches, count with its odds, pitch, turn."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ctrecon.core.errors import InputError
from ctrecon.core.frames import Floats
from ctrecon.core.measured import Measured
from ctrecon.record.part import ToothPlace
from ctrecon.teeth.counts import CountOfTeeth, count_teeth
from ctrecon.teeth.rim import Centre

__all__ = ["TRUST_PX", "RimTeeth", "division_fields"]

TRUST_PX = 0.002
"""What the image models of teeth leave open of centre and radii."""

_LOST_STEP = 1.5  # steps wider than this many median steps hold a lost tooth: half-way between one and two


@dataclass(frozen=True, eq=False)
class RimTeeth:
    """Teeth as they were fitted, px.

    Attributes
    ----------
    angles, u_deg : (n,) arrays
        Middle of each (radians, ascending), and u (degrees) if the centre were known.
    there, whole : (n,) bool arrays
        Which are teeth at all, and which have all of their height.
    radius : float
        At which the angles were taken.
    centre_covariance : (2, 2) array
        Of the centre, px².
    """

    angles: Floats
    u_deg: Floats
    there: NDArray[np.bool_]
    whole: NDArray[np.bool_]
    radius: float
    centre_covariance: Floats


@dataclass(frozen=True, eq=False)
class _Order:
    """Teeth that are there, in order round the rim from the widest gap: numbers in the fit, and stretches."""

    order: NDArray[np.int64]
    stretch: NDArray[np.int64]
    whole_rim: bool


def division_fields(rim: RimTeeth, pitch_mm: float) -> tuple[NDArray[np.int64], dict[str, Any], dict[str, str]]:
    """Return which teeth are there in order round the rim, the fields they fill, and why some are unknown.

    Parameters
    ----------
    rim : RimTeeth
        The teeth; at least three are there.
    pitch_mm : float
        Size of one px.
    """
    teeth = _in_order(rim)
    found = _counted(rim, teeth, pitch_mm)
    bent: tuple[int, ...] = () if isinstance(found, str) else found.bent
    places = tuple(
        ToothPlace(
            angle_deg=Measured(float(np.degrees(rim.angles[k])) % 360, float(rim.u_deg[k])), whole=bool(rim.whole[k]),
            bent=i in bent, stretch=int(teeth.stretch[i]),
        )
        for i, k in enumerate(teeth.order)
    )  # fmt: skip
    fields: dict[str, Any] = {"teeth_present": int(rim.whole[teeth.order].sum()), "tooth_places": places}
    unknown: dict[str, str] = {}
    if isinstance(found, str):
        fields["teeth"] = None
        unknown["teeth"] = found
    else:
        fields |= _count_fields(found, places, rim, rim.u_deg[teeth.order])
        if found.teeth is None:
            unknown["teeth"] = "; ".join((found.reason, *found.settle))
    return teeth.order, fields | _arc(teeth, rim), unknown


def _in_order(rim: RimTeeth) -> _Order:
    """Return the teeth in their stretches; a bent tooth, whose two steps make two together, ends none."""
    there = np.flatnonzero(rim.there)
    order = there[np.argsort(rim.angles[there] % (2 * np.pi))]
    angle = rim.angles[order] % (2 * np.pi)
    step = np.diff(np.r_[angle, angle[0] + 2 * np.pi])
    usual = float(np.median(step))
    wide = step > _LOST_STEP * usual
    pairs = np.minimum(step + np.roll(step, 1), step + np.roll(step, -1))
    wide &= pairs > (1 + _LOST_STEP) * usual
    if not wide.any():
        return _Order(order, np.zeros(len(order), dtype=np.int64), True)
    first = (int(np.argmax(np.where(wide, step, 0.0))) + 1) % len(order)
    order, wide = np.roll(order, -first), np.roll(wide, -first)
    return _Order(order, np.r_[0, np.cumsum(wide[:-1])].astype(np.int64), False)


def _counted(rim: RimTeeth, teeth: _Order, pitch_mm: float) -> CountOfTeeth | str:
    """Return the count, or why there is none."""
    runs = [
        [
            Measured(float(np.degrees(rim.angles[k])) % 360, float(rim.u_deg[k]))
            for k in teeth.order[teeth.stretch == s]
        ]
        for s in range(int(teeth.stretch.max()) + 1)
    ]
    cov = rim.centre_covariance
    u_x, u_y = (float(np.hypot(np.sqrt(cov[k, k]), TRUST_PX)) for k in (0, 1))
    centre = Centre(u_x * pitch_mm, u_y * pitch_mm, float(np.clip(cov[0, 1] / (u_x * u_y), -0.99, 0.99)))
    try:
        return count_teeth(runs, radius=rim.radius * pitch_mm, centre=centre, whole=teeth.whole_rim)
    except InputError as refused:
        return str(refused)


def _count_fields(
    found: CountOfTeeth, places: tuple[ToothPlace, ...], rim: RimTeeth, u_deg: Floats
) -> dict[str, Any]:
    """Return count, range, odds, pitch and turn."""
    numbers = np.array(found.numbers, dtype=float)
    angle = np.degrees(np.unwrap(np.radians([one.angle_deg.value for one in places])))
    step = np.diff(angle) % 360
    angle = angle[0] + np.r_[0.0, np.cumsum(step)]
    pitch = found.pitch_deg
    period = pitch.value if found.teeth is None else 360 / found.teeth
    centre, mean = float(numbers.mean()), float(angle.mean())
    steps = int((mean - period * (centre - round(centre))) // period)
    turn = mean - period * (centre - round(centre)) - period * steps
    spread = float(np.sqrt((np.mean(u_deg**2) + found.random_deg**2 + found.drift_deg**2) / len(numbers)))
    # an error of the centre turns what is left of the rim; all round it leaves the mean where it is
    radians = np.radians(angle)
    by = np.array([np.sin(radians).mean(), -np.cos(radians).mean()]) / rim.radius
    shifted = float(np.degrees(np.sqrt(max(float(by @ rim.centre_covariance @ by), 0.0))))
    if found.teeth is None:
        # carried on over lost teeth by the mean step of the whole rim, which the count leaves open
        unsure = (found.estimate.u or 0.0) / found.estimate.value * period
        shifted = float(np.hypot(shifted, steps * unsure))
    return {
        "teeth": found.teeth,
        "teeth_range": found.teeth_range,
        "teeth_odds": tuple((one.teeth, round(one.probability, 6)) for one in found.table[:12]),
        "pitch_deg": pitch,
        "turn_deg": Measured(turn, float(np.hypot(spread, shifted))),
    }


def _arc(teeth: _Order, rim: RimTeeth) -> dict[str, Any]:
    """Return how much of the rim is left and from where."""
    if teeth.whole_rim:
        return {"arc_deg": 360.0}
    angle = np.degrees(rim.angles[teeth.order]) % 360
    step = np.diff(angle) % 360
    pitch = float(np.median(step))
    lost = np.diff(teeth.stretch) > 0
    left = len(angle) * pitch + float(np.sum(step[~lost] - pitch))
    return {"arc_deg": round(min(left, 359.9), 1), "arc_from_deg": round(float(angle[0] - pitch / 2) % 360, 1) % 360}
