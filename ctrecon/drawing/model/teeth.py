"""Teeth of a wheel as lines and arcs in sheet axes: the whole rim to make, and the teeth that were found."""

import math
from dataclasses import dataclass

from ctrecon.drawing.paper.arc_fit import lines_and_arcs
from ctrecon.drawing.paper.contours import TURN, Contour, contour_of, ring_sector
from ctrecon.record.kinds import is_crown, kind_of
from ctrecon.record.part import Feature
from ctrecon.shapes import Vertex

__all__ = ["Rim", "crown_teeth", "is_broken_rim", "rim_as_left", "rim_to_make", "tooth_contour", "uneven_deg"]

TOLERANCE_MM = 0.001
"""Lines and arcs keep to the mean tooth within this: far below what a scan shows of one."""

NEXT_PITCHES = 1.5
"""Neighbours nearer than this many pitches have no lost tooth between them."""


@dataclass(frozen=True)
class Rim:
    """What is left of a toothed rim: runs of teeth, and arcs of the tip circle over what is lost."""

    runs: tuple[Contour, ...]
    lost: tuple[Contour, ...]


def is_broken_rim(feature: Feature) -> bool:
    """Return whether teeth are missing, or may be: then those that were found are drawn."""
    if not kind_of(feature).is_toothed or not feature.tooth_places:
        return False
    return feature.teeth is None or sum(one.whole for one in feature.tooth_places) < feature.teeth


def _radii(feature: Feature) -> tuple[float, float] | None:
    if feature.tip_diameter_mm is None or feature.root_diameter_mm is None:
        return None
    return feature.root_diameter_mm.value / 2, feature.tip_diameter_mm.value / 2


def _tooth(feature: Feature) -> list[Vertex] | None:
    """Return one tooth with its middle along +X about (0, 0), from root to root, anticlockwise."""
    radii = _radii(feature)
    if radii is None or feature.flank is None or len(feature.flank.profile_mm) < 2:
        return None
    profile = feature.flank.profile_mm
    first, last = profile[0][0], profile[-1][0]
    by = (radii[1] - radii[0]) / max(last - first, 1e-9)
    flank = []
    for r, half in profile:  # a half width belongs to a radius: the flank's point is that far from the centre
        radius = radii[0] + (r - first) * by
        flank.append((math.sqrt(max(radius**2 - half**2, 0.0)), -half))
    up = lines_and_arcs(flank, TOLERANCE_MM)
    sweep = 2 * math.asin(min(profile[-1][1] / radii[1], 1.0))
    if sweep * radii[1] < TOLERANCE_MM:  # a pointed tip
        return [*up[:-1], *_down(up)]
    return [*up[:-1], (*up[-1][:2], math.tan(sweep / 4)), *_down(up)]


def _down(up: list[Vertex]) -> list[Vertex]:
    """Return the other flank, from tip to root: the mirror image run backwards keeps each bulge."""
    out = []
    for k in range(len(up) - 1, -1, -1):
        bulge = up[k - 1][2] if k else 0.0
        out.append((up[k][0], -up[k][1], bulge))
    return out


def _turned(vertices: list[Vertex], x: float, y: float, angle: float) -> list[Vertex]:
    c, s = math.cos(angle), math.sin(angle)
    return [(x + u * c - v * s, y + u * s + v * c, bulge) for u, v, bulge in vertices]


def _polar(x: float, y: float, radius: float, angle: float, bulge: float = 0.0) -> Vertex:
    return x + radius * math.cos(angle), y + radius * math.sin(angle), bulge


def _arc(sweep: float) -> float:
    return math.tan(sweep / 4)


def _found_angles(feature: Feature) -> list[float]:
    """Return where the middles of whole teeth stand on the sheet (radians, anticlockwise, growing)."""
    return sorted(-math.radians(one.angle_deg.value) % TURN for one in feature.tooth_places if one.whole)


def _even_angles(feature: Feature) -> list[float]:
    turn = 0.0 if feature.turn_deg is None else -math.radians(feature.turn_deg.value)
    count = feature.teeth or 0
    return sorted((turn + TURN * k / count) % TURN for k in range(count))


def _pitch(feature: Feature) -> float | None:
    if feature.teeth:
        return TURN / feature.teeth
    return None if feature.pitch_deg is None else math.radians(feature.pitch_deg.value)


def _runs(angles: list[float], pitch: float) -> list[list[float]]:
    """Return neighbours together, each run growing; one run with the first angle once more where the rim is whole."""
    steps = [(b - a) % TURN or TURN for a, b in zip(angles, angles[1:] + angles[:1], strict=True)]
    breaks = [k for k, step in enumerate(steps) if step > NEXT_PITCHES * pitch]
    if not breaks:
        return [angles]
    runs = []
    for k, at in enumerate(breaks):
        start, stop = at + 1, breaks[(k + 1) % len(breaks)]
        count = (stop - start) % len(angles) + 1
        run = [angles[(start + j) % len(angles)] for j in range(count)]
        runs.append([run[0] + (a - run[0]) % TURN for a in run])
    return runs


def _run_vertices(tooth: list[Vertex], run: list[float], x: float, y: float) -> list[Vertex]:
    """Return the teeth of a run with the root circle between them; the last vertex has no bulge."""
    half = math.atan2(-tooth[0][1], tooth[0][0])
    out: list[Vertex] = []
    for k, angle in enumerate(run):
        teeth = _turned(tooth, x, y, angle)
        gap = (run[k + 1] - angle if k + 1 < len(run) else 0.0) - 2 * half
        out += [*teeth[:-1], (*teeth[-1][:2], _arc(gap) if k + 1 < len(run) else 0.0)]
    return out


def rim_to_make(feature: Feature, x: float, y: float) -> Contour | None:
    """Return the closed rim to cut: every tooth, evenly divided; where their number is unknown those that were found.

    What is lost of a rim of unknown number stays blank up to the tip circle, for teeth to be cut once it is known.
    A wheel without a measured tooth has teeth as wide as their gaps; without a number, a disc of middle diameter.
    """
    radii, tooth, pitch = _radii(feature), _tooth(feature), _pitch(feature)
    if radii is None:
        return None
    angles = _even_angles(feature) or _found_angles(feature)
    if tooth is None or pitch is None or not angles:
        turn = 0.0 if feature.turn_deg is None else -feature.turn_deg.value
        shape = kind_of(feature).shape(feature, x, y, turn)
        return None if shape is None else contour_of(shape)
    half = math.atan2(-tooth[0][1], tooth[0][0])
    runs = _runs(angles, pitch)
    out: list[Vertex] = []
    for k, run in enumerate(runs):
        out += _run_vertices(tooth, run, x, y)
        next_first = runs[(k + 1) % len(runs)][0]
        gap = (next_first - run[-1]) % TURN
        if gap <= NEXT_PITCHES * pitch:
            out[-1] = (*out[-1][:2], _arc(gap - 2 * half))
            continue
        side = pitch / 2 - half
        out[-1] = (*out[-1][:2], _arc(side))
        over = gap - pitch
        out += [
            _polar(x, y, radii[0], run[-1] + pitch / 2),
            _polar(x, y, radii[1], run[-1] + pitch / 2, _arc(over / 2)),
            _polar(x, y, radii[1], run[-1] + pitch / 2 + over / 2, _arc(over / 2)),
            _polar(x, y, radii[1], run[-1] + pitch / 2 + over),
            _polar(x, y, radii[0], run[-1] + pitch / 2 + over, _arc(side)),
        ]
    return Contour(tuple(out))


def rim_as_left(feature: Feature, x: float, y: float) -> Rim | None:
    """Return the teeth that were found, each where it stands, and the tip circle over those that are lost."""
    radii, tooth, pitch, angles = _radii(feature), _tooth(feature), _pitch(feature), _found_angles(feature)
    if radii is None or tooth is None or pitch is None or not angles:
        return None
    half = math.atan2(-tooth[0][1], tooth[0][0])
    side = pitch / 2 - half
    runs, lost = _runs(angles, pitch), []
    shown = []
    for k, run in enumerate(runs):
        teeth = _run_vertices(tooth, run, x, y)
        before = _polar(x, y, radii[0], run[0] - pitch / 2, _arc(side))
        after = _polar(x, y, radii[0], run[-1] + pitch / 2)
        shown.append(Contour((before, *teeth[:-1], (*teeth[-1][:2], _arc(side)), after), closed=False))
        over = (runs[(k + 1) % len(runs)][0] - run[-1]) % TURN - pitch
        if over > pitch / 2:
            ends = [run[-1] + pitch / 2 + over * j / 2 for j in range(3)]
            arc = [_polar(x, y, radii[1], a, _arc(over / 2) if j < 2 else 0.0) for j, a in enumerate(ends)]
            lost.append(Contour(tuple(arc), closed=False))
    return Rim(tuple(shown), tuple(lost))


def crown_teeth(feature: Feature, x: float, y: float, *, even: bool) -> tuple[Contour, ...]:
    """Return the teeth of a crown as they are half-way up, each a closed contour; none where the record lacks a size.

    `even` divides the ring evenly, as it is made; else, and where their number is unknown, the teeth that were found
    stand where they were found. Flanks point to the axis: their form is not measured.
    """
    over, within, width = feature.diameter_mm, feature.inner_diameter_mm, feature.tooth_width_mm
    if not is_crown(feature) or over is None or within is None or width is None:
        return ()
    half = math.asin(min(2 * width.value / (over.value + within.value), 1.0))
    angles = (_even_angles(feature) if even else []) or _found_angles(feature)
    return tuple(
        ring_sector(x, y, over.value / 2, within.value / 2, math.degrees(a - half), math.degrees(2 * half))
        for a in angles
    )


def tooth_contour(feature: Feature) -> Contour | None:
    """Return one mean tooth with half a gap on either side, its middle along +X about the wheel's centre."""
    radii, tooth, pitch = _radii(feature), _tooth(feature), _pitch(feature)
    if radii is None or tooth is None or pitch is None:
        return None
    side = pitch / 2 - math.atan2(-tooth[0][1], tooth[0][0])
    before = _polar(0.0, 0.0, radii[0], -pitch / 2, _arc(side))
    after = _polar(0.0, 0.0, radii[0], pitch / 2)
    return Contour((before, *tooth[:-1], (*tooth[-1][:2], _arc(side)), after), closed=False)


def uneven_deg(feature: Feature) -> float | None:
    """Return how far (degrees) the tooth farthest from even division is from it; None where their number is unknown."""
    if not feature.teeth or not feature.tooth_places:
        return None
    pitch = 360.0 / feature.teeth
    turn = 0.0 if feature.turn_deg is None else feature.turn_deg.value
    off = [(one.angle_deg.value - turn + pitch / 2) % pitch - pitch / 2 for one in feature.tooth_places if one.whole]
    return max((abs(one) for one in off), default=None)
