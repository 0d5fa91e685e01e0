"""What the shop does where nobody says otherwise: each habit with its default, its reason and its source."""

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any

__all__ = ["HABITS", "Habit", "ShopHabits"]

_PRACTICE = "common practice, no source"


@dataclass(frozen=True)
class Habit:
    """A habit of the shop.

    Parameters
    ----------
    default : object
        What holds where the file says nothing.
    reason : str
        Why, in one sentence.
    source : str
        Where the default comes from.
    least, most : float
        Bounds of a number: what lies beyond is refused.
    choices : tuple of str
        The words it may be; empty where it is a number.
    """

    default: Any
    reason: str
    source: str = _PRACTICE
    least: float = 0.0
    most: float = 1000.0
    choices: tuple[str, ...] = ()


def _habit(default: Any, reason: str, **more: Any) -> Any:
    return field(default=default, metadata={"habit": Habit(default, reason, **more)})


@dataclass(frozen=True, kw_only=True)
class ShopHabits:
    """The habits of the shop; lengths mm, diameters in multiples where the name says so.

    Each field is a key of the file's ``[shop]``; `HABITS` says of each why it is so and where that comes from.

    Parameters
    ----------
    given : frozenset of str
        Which of them the file gave; the others are defaults.

    Examples
    --------
    >>> ShopHabits().pin_taper, HABITS["pin_edge_diameters"].default
    (50, 1.5)
    """

    caliper_u_mm: float = _habit(
        0.02, "a size typed without ± from the bench was read with a sliding caliper in practised hands", most=1.0
    )
    length_tolerance_mm: float = _habit(0.05, "what a length is held to, plus or minus, by hand and file", most=2.0)
    place_tolerance_mm: float = _habit(
        0.1, "how far, plus or minus, a hole laid out, punched and drilled may lie off its place", most=2.0
    )
    edge_margin_mm: float = _habit(0.5, "metal left between a pin hole and any edge, at the least", most=20.0)
    keep_out_margin_mm: float = _habit(
        0.5, "distance kept from bearings, pillars and rings, so that burrs and countersinks clear them", most=20.0
    )
    sweep_margin_mm: float = _habit(0.3, "distance kept from whatever turns", most=20.0)
    seam_margin_mm: float = _habit(0.5, "distance kept from a seam, where metal may part", most=20.0)
    pin_edge_diameters: float = _habit(
        1.5,
        "centre of a pin to the edge, in diameters of the pin",
        source="trade memory, 1.5 to 2",
        least=0.6,
        most=10.0,
    )
    pin_spacing_diameters: float = _habit(
        3.0, "least distance of two pins, in diameters of the pin", source="trade memory", least=1.0, most=50.0
    )
    pin_engagement_diameters: float = _habit(
        1.0, "least length of pin in each plate, in diameters; of a thin plate its full thickness",
        source="trade memory", least=0.2, most=10.0,
    )  # fmt: skip
    pin_below_face_mm: float = _habit(
        0.3, "how far a pin ends below the face, so that it lifts no plate", source="trade memory, 0.2 to 0.5",
        most=5.0,
    )  # fmt: skip
    pin_countersink_mm: float = _habit(
        0.2, "countersink of a pin hole on the side, so that no burr holds the plates apart",
        source="trade memory, 0.1 to 0.3", most=2.0,
    )  # fmt: skip
    pin_taper: int = _habit(
        50, "taper pins are 1 in 50 (ISO 2339) or 1 in 48 (ASME B18.8.2)", source="ISO 2339", choices=("50", "48")
    )
    one_way_miss_mm: float = _habit(
        1.0, "a plate put on the wrong way must miss its pins by this much, so that nobody can press it on", most=20.0
    )
    running_clearance_mm: float = _habit(0.1, "clearance all round where one part turns in or beside another", most=5.0)
    end_shake_least_mm: float = _habit(
        0.1, "least end shake of what turns between plates", source="trade memory, 0.1 to 0.3", most=5.0
    )
    end_shake_most_mm: float = _habit(
        0.3, "most end shake of what turns between plates", source="trade memory, 0.1 to 0.3", most=5.0
    )
    least_wall_mm: float = _habit(0.5, "thinnest wall of metal to leave round a hole or relief", most=20.0)
    rub_down_most_mm: float = _habit(
        0.25, "most to rub off a sheet by hand before a thinner sheet is the better choice", most=5.0
    )
    saw_allowance_mm: float = _habit(2.0, "added all round a piece for the saw and for truing its edges", most=50.0)
    square_method: str = _habit(
        "file", "how square holes come from round pilots: by file, square drift or square broach",
        choices=("file", "drift", "broach"),
    )  # fmt: skip
    hole_fit: str = _habit("H7/h6", "fit of a pillar in its hole where none is given", source="ISO 286-2", choices=())
    highest_speed_rpm: float = _habit(3000.0, "highest speed of the drilling machine", least=50.0, most=200000.0)
    cutting_speed_m_min: float = _habit(
        30.0, "cutting speed for drills of high speed steel in brass, on the slow side",
        source="shop tables give 30 to 60 m/min", least=1.0, most=300.0,
    )  # fmt: skip
    given: frozenset[str] = frozenset()


HABITS: Mapping[str, Habit] = {one.name: one.metadata["habit"] for one in fields(ShopHabits) if "habit" in one.metadata}
"""Every habit by its key: default, reason, source, bounds."""
