"""Wheels of part records: where they sit, their faces, their teeth in stretches, and the odds of their counts."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, groupby
from math import hypot

import numpy as np
import shapely
from shapely import Polygon

from ctrecon.core.measured import COVERAGE_FACTOR, Measured
from ctrecon.record.items import pieces_of
from ctrecon.record.kinds import kind_of, kind_words
from ctrecon.record.part import (
    Feature,
    Part,
    depths_in_part_frame,
    outline_in_part_frame,
    place_in_part_frame,
    scale_u_of,
)
from ctrecon.record.sensitivity import expanded_of, quantities
from ctrecon.shapes import Vertex
from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.wheels.meshes import ADDENDUM, Arbor, TrainWheel
from ctrecon.workshop.wheels.outline import points_of
from ctrecon.workshop.wheels.tooth import MOST_LEAVES

__all__ = ["FoundWheel", "Window", "arbors_of", "found_wheels", "why_no_wheels"]

_IN_BORE = 0.5
"""A hole is a wheel's bore where it holds the wheel's centre this deep within its own half width; two bores that are
nearer than this are on one arbor, for two arbors can't be in one place."""


_ADDENDA = {"involute": Measured(1.0, 0.1), "cycloidal": Measured(1.55, 0.2)}
"""From the pitch circle to the tips by the form of the flanks, modules: ISO 54, and the table of BS 978-2."""

_LEAVES = Measured(0.8, 0.2)
"""The same of BS 978-2 pinions, profiles A to C."""


@dataclass(frozen=True)
class Window:
    """What is cut out of a wheel, about the centre of its rim (mm, part frame); `is_free`: of no named shape."""

    id: str
    vertices: tuple[Vertex, ...]
    is_free: bool = False

    @property
    def polygon(self) -> Polygon:
        """Return its area."""
        return Polygon(points_of(self.vertices))


@dataclass(frozen=True)
class FoundWheel:
    """One wheel of a record.

    Attributes
    ----------
    name, part, feature : str, str, Feature
        F1, or part.F1 where several records were read; the part's name; what was measured.
    arbor : Arbor
        The axis of its bore, or of its rim where no bore was found (part frame).
    low, high : Measured or None
        Its faces along the axis, mm.
    run_out : Measured or None
        Distance of the bore's axis from the rim's centre, mm.
    bore : Window or None
        As found, with the run-out taken out.
    windows : tuple of Window
        Other holes between hub and rim.
    scale_u_rel : float or None
        Of its lengths across the axis.
    printed : mapping of str to Measured
        Sizes of the rim by their names in the record, with the u that is printed: what an unknown grey scale and the
        scale add is in it.
    bore_says : str
        The bore in words, with its size and U; empty where there is none.
    """

    name: str
    part: str
    feature: Feature
    arbor: Arbor
    low: Measured | None
    high: Measured | None
    run_out: Measured | None
    bore: Window | None
    windows: tuple[Window, ...]
    scale_u_rel: float | None
    printed: Mapping[str, Measured]
    bore_says: str

    @property
    def odds(self) -> dict[int, float]:
        """Return the probability of each count, likeliest first; empty where nothing was counted."""
        if self.feature.teeth_odds:
            return dict(self.feature.teeth_odds)
        return {self.feature.teeth: 1.0} if self.feature.teeth else {}

    @property
    def runs(self) -> list[list[Measured]]:
        """Return the angles of the teeth that are left, degrees, one list per stretch of neighbours."""
        places = self.feature.tooth_places
        return [[one.angle_deg for one in run] for _, run in groupby(places, key=lambda one: one.stretch)]

    @property
    def is_crown(self) -> bool:
        """Whether its teeth run along the axis: then it has no tip circle to mesh or to be cut by."""
        return "crown_teeth" in self.feature.flags

    def in_train(self, odds: Mapping[int, float], *, between_records: bool) -> TrainWheel | None:
        """Return it as a wheel of a train; None where its tips or its count are unknown.

        Parameters
        ----------
        odds : mapping of int to float
            Probability of each count.
        between_records : bool
            Whether it is compared with wheels of other scans: then the scale's part of u counts.
        """
        tip = self.feature.tip_diameter_mm
        if tip is None or not odds or self.is_crown:
            return None
        if between_records and tip.u is not None and self.scale_u_rel is not None:
            tip = replace(tip, u=hypot(tip.u, tip.value * self.scale_u_rel))
        teeth = max(odds, key=lambda one: (odds[one], -one))
        return TrainWheel(self.name, self.arbor.name, teeth, tip, self.addendum(teeth), self.low, self.high, odds)

    def addendum(self, teeth: int) -> Measured:
        """Return how far its teeth reach past the pitch circle, modules, by the form of its flanks."""
        form = "" if self.feature.flank is None else self.feature.flank.form
        return _LEAVES if form == "cycloidal" and teeth <= MOST_LEAVES else _ADDENDA.get(form, ADDENDUM)


def found_wheels(parts: Sequence[Part]) -> tuple[FoundWheel, ...]:
    """Return every wheel of the records, each on its arbor.

    Parameters
    ----------
    parts : sequence of Part
        The records; each in a frame of its own.

    Raises
    ------
    PlanError
        If two records have one name.
    """
    names = [part.name for part in parts]
    if len(set(names)) != len(names):
        twice = next(name for name in names if names.count(name) > 1)
        raise PlanError(f"two records are of a part called {twice}; give each part a name of its own")
    found = []
    for part in parts:
        prefix = f"{part.name}." if len(parts) > 1 else ""
        # of a part of several pieces each wheel has the bore and windows of its own piece: its seat is a hole there
        alone = {
            f.id: replace(item.part, name=part.name)
            for item in pieces_of(part)
            for f in item.part.features
            if kind_of(f).is_toothed
        }
        mine = [
            _found(alone.get(one.id, part), one, prefix)
            for one in part.features
            if kind_of(one).is_toothed and one.x_mm and one.y_mm
        ]
        found += _on_shared_arbors(mine)
    return tuple(found)


def why_no_wheels(parts: Sequence[Part]) -> str:
    """Return the sentence to say where the records hold no wheel."""
    reasons = [
        f"{one.id} of {part.name} has teeth, but {one.unknown.get('teeth', 'they could not be measured')}"
        for part in parts
        for one in part.features
        if "toothed_rim" in one.flags
    ]
    names = ", ".join(part.name for part in parts)
    return f"there is no measured wheel in {names}" + (f": {'; '.join(reasons)}" if reasons else "")


def arbors_of(parts: Sequence[Part]) -> dict[str, Arbor]:
    """Return where the axis of every feature with a place is, by F1, or part.F1 where there are several records."""
    found: dict[str, Arbor] = {}
    for part in parts:
        prefix = f"{part.name}." if len(parts) > 1 else ""
        placed = [one for one in part.features if one.x_mm and one.y_mm]
        found |= {prefix + one.id: _arbor(part, one, prefix + one.id) for one in placed}
    return found


def _arbor(part: Part, feature: Feature, name: str) -> Arbor:
    x, y = place_in_part_frame(part, feature)
    u = max((one.u or 0.0) for one in (feature.x_mm, feature.y_mm) if one is not None)
    return Arbor(name, x, y, u, part.name)


def _found(part: Part, wheel: Feature, prefix: str) -> FoundWheel:
    """Return one wheel with its bore, its windows and its faces."""
    here = _arbor(part, wheel, prefix + wheel.id)
    root = wheel.root_diameter_mm or wheel.tip_diameter_mm
    reach = 0.0 if root is None else root.value / 2
    depths = depths_in_part_frame(part, wheel)
    holes: list[tuple[float, Feature]] = []
    for one in part.features:
        if kind_of(one).is_hole and one.x_mm and one.y_mm and one.cross_direction_xyz is None:
            x, y = place_in_part_frame(part, one)
            start, end = depths_in_part_frame(part, one)
            away = hypot(x - here.x, y - here.y)
            if away < reach and min(end, depths[1]) > max(start, depths[0]):
                holes.append((away, one))
    holes.sort(key=lambda one: (one[0], one[1].id))
    bore = next((one for away, one in holes if away < _IN_BORE * (kind_of(one).main_size(one) or 0.0) / 2), None)
    cut = [(one, _window(part, one, here)) for _, one in holes]
    inside = [(one, window) for one, window in cut if window is not None]
    arbor, run_out, made = here, None, None
    if bore is not None:
        arbor = _arbor(part, bore, prefix + bore.id)
        u = hypot(here.u, arbor.u)
        run_out = Measured(hypot(arbor.x - here.x, arbor.y - here.y), u or None)
        made = next((window for one, window in inside if one is bore), None)
        if made is not None:  # the made wheel has its bore in the middle
            made = _moved(made, here.x - arbor.x, here.y - arbor.y)
    ends = zip(depths, (wheel.depth_from_mm, wheel.depth_to_mm), strict=True)
    low, high = (None if end is None else Measured(z, end.u) for z, end in ends)
    return FoundWheel(
        prefix + wheel.id, part.name, wheel, arbor, low, high,
        run_out, made, tuple(window for one, window in inside if one is not bore),
        scale_u_of(part, "tip_diameter_mm"),
        {name: _as_printed(part, wheel, name, size) for name, size in quantities(wheel).items()},
        "" if bore is None else _bore_says(part, bore),
    )  # fmt: skip


def _bore_says(part: Part, bore: Feature) -> str:
    sizes = [_as_printed(part, bore, one.quantity, value) for one, value in kind_of(bore).main_sizes(bore)]
    words = f"{kind_of(bore).sign}{' and '.join(str(one) for one in sizes)}"
    return f"the bore {bore.id} is a {kind_words(bore)}, {words} mm"


def _as_printed(part: Part, feature: Feature, name: str, size: Measured) -> Measured:
    u = expanded_of(part, feature, name, size)
    return Measured(size.value, None if u is None else u / COVERAGE_FACTOR)


def _window(part: Part, hole: Feature, centre: Arbor) -> Window | None:
    """Return a hole's outline about the centre of the rim."""
    kind = kind_of(hole)
    if kind.is_outlined:
        points = outline_in_part_frame(part, hole) - [centre.x, centre.y]
        ring = shapely.orient_polygons(Polygon(points)).exterior.coords[:-1] if len(points) > 2 else ()
        return Window(hole.id, tuple((x, y, 0.0) for x, y in ring), is_free=True) if len(ring) else None
    x, y = place_in_part_frame(part, hole)
    shape = kind.shape(hole, x - centre.x, y - centre.y, 0.0 if hole.turn_deg is None else hole.turn_deg.value)
    return None if shape is None else Window(hole.id, shape.vertices())


def _moved(window: Window, dx: float, dy: float) -> Window:
    return replace(window, vertices=tuple((x + dx, y + dy, bulge) for x, y, bulge in window.vertices))


def _on_shared_arbors(wheels: Sequence[FoundWheel]) -> list[FoundWheel]:
    """Return the wheels of one record, those with one axis on one arbor."""
    arbors = {one.name: one.arbor for one in wheels}
    for first, second in combinations(wheels, 2):
        a, b = arbors[first.name], second.arbor
        half = min((_half_width(one) for one in (first, second) if one.bore is not None), default=0.0)
        if hypot(a.x - b.x, a.y - b.y) <= max(_IN_BORE * half, 3 * hypot(a.u, b.u)):
            arbors[second.name] = a
    return [replace(one, arbor=arbors[one.name]) for one in wheels]


def _half_width(wheel: FoundWheel) -> float:
    return 0.0 if wheel.bore is None else float(np.sqrt(wheel.bore.polygon.area / np.pi))
