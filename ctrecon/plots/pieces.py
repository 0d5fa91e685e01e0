"""The pieces pulled apart along the axis: a section from the record alone, hatched piece by piece."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import FancyArrowPatch, PathPatch
from matplotlib.path import Path
from skimage.measure import find_contours

from ctrecon.core.frames import Floats
from ctrecon.plots.style import ACCENT, FONT, INK, SOFT, plain
from ctrecon.record.kinds import is_outside, is_seam, kind_of
from ctrecon.record.part import Feature, Joint, Part, Piece, depths_in_part_frame
from ctrecon.record.solid import Prism, Solid, solid_of

__all__ = ["exploded_section"]

_WIDTH_IN, _MOST_HIGH_IN = 9.6, 4.6
_CELLS = 700
_GAP_SHARE = 0.2
_CONTOURS: Callable[..., list[Floats]] = find_contours
_FACES = ("#e9edf1", "#f6ece1", "#ffffff", "#dfe6dc", "#e4e0ea")
_HATCHES = ("////", "\\\\\\\\", "xxx", "----", "||||", "....")


@dataclass(frozen=True, eq=False)
class _Region:
    """One piece in the section: signed distances on the mesh (positive inside), and how far it is pulled (mm)."""

    piece: Piece
    field: Floats
    low: float
    high: float
    shift: float = 0.0
    joint: Joint | None = None


@dataclass(frozen=True, eq=False)
class _Mesh:
    """Places (part frame, mm) of the section's plane: depth along columns, Y along rows."""

    x: float
    axis_y: float
    y: Floats
    z: Floats

    def side(self, prism: Prism) -> Floats:
        """Return the distance to a prism's side, positive inside; one column where it is the same at all depths."""
        y, z = self.y.astype(np.float32)[:, None], self.z.astype(np.float32)[None, :]
        return np.asarray(prism.distance(np.full_like(y, self.x), y, z), dtype=float)

    def between(self, low: float, high: float) -> Floats:
        """Return the distance to the nearer of two depths, positive between them (one row)."""
        return np.asarray(np.minimum(self.z - low, high - self.z)[None, :])

    def field(self, prism: Prism) -> Floats:
        """Return the distance to a prism's side and ends, positive inside."""
        return np.minimum(self.side(prism), self.between(prism.low, prism.high))


def exploded_section(part: Part) -> Figure:
    """Draw the section through the axis with the pieces pulled apart as they came together.

    Parameters
    ----------
    part : Part
        The record: its outsides, holes and seams give the section, its joints the ways.

    Returns
    -------
    Figure
        Depth to the right, Y up, one scale for both; a single piece is drawn whole.
    """
    solid = solid_of(part)
    mesh = _mesh(part, solid)
    regions = _pulled(part, _regions(part, solid, mesh)) if mesh is not None else []
    if mesh is None or not regions:
        figure = Figure(figsize=(_WIDTH_IN, 1.0), facecolor="white")
        figure.text(0.5, 0.5, "the record holds no section to draw", ha="center", fontsize=9, family=FONT, color=SOFT)
        return figure
    low = min(r.low + r.shift for r in regions)
    high = max(r.high + r.shift for r in regions)
    bottom, top = _extent(regions, mesh)
    tall = top - bottom
    notes = _notes(part, regions)
    above, below, beside = 0.95, 0.35 + 0.2 * len(notes), 0.35
    scale = min((_WIDTH_IN - 2 * beside) / (high - low), _MOST_HIGH_IN / tall)
    height = above + below + tall * scale
    wide = (high - low) * scale
    figure = Figure(figsize=(_WIDTH_IN, height), facecolor="white")
    left = (_WIDTH_IN - wide) / 2
    axes = figure.add_axes((left / _WIDTH_IN, below / height, wide / _WIDTH_IN, tall * scale / height))
    axes.set_xlim(low, high)
    axes.set_ylim(bottom, top)
    axes.set_axis_off()
    for number, region in enumerate(regions):
        _draw(axes, mesh, region, number)
    middle = -mesh.axis_y
    room = 0.02 * (high - low)
    axes.plot([low - room, high + room], [middle, middle], color=SOFT, lw=0.8, ls=(0, (12, 3, 2, 3)), clip_on=False)
    for region in regions:
        _way(axes, mesh, region, regions)
    _labels(axes, regions, mesh, top, scale)
    figure.text(
        0.35 / _WIDTH_IN, 1 - 0.1 / height, "Section through the axis, the pieces pulled apart along it",
        ha="left", va="top", fontsize=9.5, color=INK, family=FONT,
    )  # fmt: skip
    for k, note in enumerate(notes):
        figure.text(
            0.35 / _WIDTH_IN, (below - 0.3 - 0.2 * k) / height, note, ha="left", va="center", fontsize=8.5,
            color=INK, family=FONT, parse_math=False,
        )  # fmt: skip
    return figure


def _mesh(part: Part, solid: Solid) -> _Mesh | None:
    bodies = [body for body, _ in solid.bodies]
    if not bodies:
        return None
    seams = [p for p in solid.all if _is_side_seam(part.feature(p.ident))]
    about = seams[0] if seams else max(bodies, key=lambda b: b.reach)
    ends = [e for b in bodies for e in (b.low, b.high)]
    whole = (part.stack.slices - 1) * part.stack.voxel_mm[0]
    finite = [e for e in ends if np.isfinite(e)]
    low = min(finite) if all(np.isfinite(b.low) for b in bodies) else min([0.0, *finite])
    high = max(finite) if all(np.isfinite(b.high) for b in bodies) else max([whole, *finite])
    y = [v for b in bodies for v in (b.section.centre[1] - b.reach, b.section.centre[1] + b.reach)]
    if high <= low:
        return None
    step = max(high - low, max(y) - min(y)) / _CELLS
    return _Mesh(
        float(about.section.centre[0]),
        float(about.section.centre[1]),
        np.arange(min(y) - 3 * step, max(y) + 3 * step, step),
        np.arange(low - 3 * step, high + 3 * step, step),
    )


def _is_side_seam(feature: Feature) -> bool:
    return is_seam(feature) and not kind_of(feature).is_face


def _regions(part: Part, solid: Solid, mesh: _Mesh) -> list[_Region]:
    """Share the metal out among the pieces: layers from the deepest on, then what side seams part."""
    metal = np.full((len(mesh.y), len(mesh.z)), -np.inf)
    for body, cuts in solid.bodies:
        own = mesh.field(body)
        for cut in cuts:
            own = np.minimum(own, -mesh.field(cut))
        metal = np.maximum(metal, own)
    # the mesh reaches past what runs out of the stack: there the stack's end closes it
    metal = np.minimum(metal, mesh.between(mesh.z[2], mesh.z[-3]))
    prisms = {p.ident: p for p in solid.all}
    fields: dict[str, Floats] = {}
    left, dz = metal, part.stack.voxel_mm[0]
    sleeves = {
        piece.id: np.minimum.reduce([_beyond(part, piece, seam, prisms, mesh) for seam in _sides(part, piece)])
        for piece in part.pieces[1:]
        if _sides(part, piece)
    }
    layers: list[tuple[int, float, Piece, Floats]] = []
    for piece in part.pieces[1:]:
        start = _start(part, piece)
        own = sleeves.get(piece.id, np.broadcast_to(mesh.between(start, np.inf), metal.shape))
        parted = [] if piece.id in sleeves else [s for s in sleeves.values() if _within(s, metal, mesh, start, dz)]
        # a flat seam that meets a sleeve parts the sleeve, not what runs through it
        rank = 0 if parted else 1 if piece.id in sleeves else 2
        layers.append((rank, -start, piece, np.minimum.reduce([own, *parted])))
    for _, _, piece, own in sorted(layers, key=lambda one: one[:2]):
        fields[piece.id] = np.minimum(left, own)
        left = np.minimum(left, -own)
    fields[part.pieces[0].id if part.pieces else "P1"] = left
    out = []
    for piece in part.pieces:
        filled = np.nonzero((fields[piece.id] > 0).any(axis=0))[0]
        if len(filled):
            out.append(_Region(piece, fields[piece.id], float(mesh.z[filled[0]]), float(mesh.z[filled[-1]])))
    return out


def _within(sleeve: Floats, metal: Floats, mesh: _Mesh, depth: float, slack: float) -> bool:
    """Return whether a depth lies well within that of a sleeve."""
    filled = np.nonzero((np.minimum(sleeve, metal) > 0).any(axis=0))[0]
    return len(filled) > 0 and bool(mesh.z[filled[0]] < depth - slack and depth + slack < mesh.z[filled[-1]])


def _sides(part: Part, piece: Piece) -> list[Feature]:
    members = [part.feature(i) for i in piece.features]
    return [f for f in members if _is_side_seam(f)]


def _start(part: Part, piece: Piece) -> float:
    """Return the depth (part frame) from which a layer reaches: that of its flat seam."""
    faces = [part.feature(i) for i in piece.features if kind_of(part.feature(i)).is_face]
    return depths_in_part_frame(part, faces[0])[0] if faces else -np.inf


def _beyond(part: Part, piece: Piece, seam: Feature, prisms: dict[str, Prism], mesh: _Mesh) -> Floats:
    """Return the side of a seam on which the piece lies: outside it where it owns outsides, else within it."""
    prism = prisms.get(seam.id)
    if prism is None:
        return np.full((len(mesh.y), len(mesh.z)), -np.inf)
    side = mesh.side(prism)
    outsides = [f for f in (part.feature(i) for i in piece.features) if is_outside(f) or kind_of(f).is_relief]
    slack = part.stack.voxel_mm[0]  # its ends and those of its outsides are one face
    near = [end for f in outsides for end in depths_in_part_frame(part, f)]
    low = next((e for e in near if abs(e - prism.low) < slack), prism.low)
    high = next((e for e in near if abs(e - prism.high) < slack), prism.high)
    return np.minimum(-side if outsides else side, mesh.between(low, high))


def _pulled(part: Part, regions: list[_Region]) -> list[_Region]:
    """Move every piece but the body along the axis to the end it can have come from, clear of the others."""
    if len(regions) < 2:
        return regions
    joints = {joint.piece: joint for joint in part.joints}
    body = regions[0]
    gap = _GAP_SHARE * max(body.high - body.low, 0.5 * sum(r.high - r.low for r in regions[1:]))
    to_end: list[_Region] = []
    to_start: list[_Region] = []
    for region in regions[1:]:
        joint = joints.get(region.piece.id)
        ways = () if joint is None else joint.put_on_from
        nearer_end = region.low + region.high >= body.low + body.high
        end = nearer_end if len(ways) != 1 else ways[0] == "end"
        (to_end if end else to_start).append(_Region(region.piece, region.field, region.low, region.high, 0.0, joint))
    out = [body]
    front, back = body.high, body.low
    for region in sorted(to_end, key=lambda r: r.low):
        shift = front + gap - region.low
        out.append(_Region(region.piece, region.field, region.low, region.high, shift, region.joint))
        front = region.high + shift
    for region in sorted(to_start, key=lambda r: -r.high):
        shift = back - gap - region.high
        out.append(_Region(region.piece, region.field, region.low, region.high, shift, region.joint))
        back = region.low + shift
    order = [r.piece.id for r in regions]
    return sorted(out, key=lambda r: order.index(r.piece.id))


def _rings(region: _Region, mesh: _Mesh) -> list[Floats]:
    """Return the outlines of a piece (N, 2) as (depth, Y up), where it stands."""
    field = np.nan_to_num(region.field, neginf=-1e3, posinf=1e3)
    step = mesh.z[1] - mesh.z[0]
    out = []
    for ring in _CONTOURS(np.pad(field, 1, constant_values=-1e3), 0.0):
        ring = ring - 1
        if len(ring) > 8:
            depth, up = mesh.z[0] + ring[:, 1] * step + region.shift, -(mesh.y[0] + ring[:, 0] * step)
            out.append(np.column_stack([depth, up]))
    return out


def _extent(regions: Sequence[_Region], mesh: _Mesh) -> tuple[float, float]:
    filled = np.nonzero(np.any([(r.field > 0).any(axis=1) for r in regions], axis=0))[0]
    return -float(mesh.y[filled[-1]]), -float(mesh.y[filled[0]])


def _draw(axes: Axes, mesh: _Mesh, region: _Region, number: int) -> None:
    rings = _rings(region, mesh)
    if not rings:
        return
    codes = [c for r in rings for c in [Path.MOVETO, *[Path.LINETO] * (len(r) - 2), Path.CLOSEPOLY]]
    path = Path(np.concatenate(rings), codes)
    axes.add_artist(
        PathPatch(
            path, facecolor=_FACES[number % len(_FACES)], edgecolor=SOFT, hatch=_HATCHES[number % len(_HATCHES)],
            lw=0.0, zorder=3, clip_on=False,
        )
    )  # fmt: skip
    axes.add_artist(PathPatch(path, facecolor="none", edgecolor=INK, lw=1.3, zorder=4, clip_on=False))


def _way(axes: Axes, mesh: _Mesh, region: _Region, regions: Sequence[_Region]) -> None:
    """Draw how a piece goes back: an arrow towards its seat, dashed where it cannot slide there as it is now."""
    if region.shift == 0:
        return
    forward = region.shift > 0
    others = [r for r in regions if r is not region]
    edge = region.low + region.shift if forward else region.high + region.shift
    stops = [r.high + r.shift for r in others if r.high + r.shift <= edge] if forward else [
        r.low + r.shift for r in others if r.low + r.shift >= edge
    ]  # fmt: skip
    stop = (max(stops) if forward else min(stops)) if stops else edge
    shown = (region.field > 0).any(axis=1)
    rows = np.nonzero(shown)[0]
    for row in (0.86 * rows[0] + 0.14 * rows[-1], 0.14 * rows[0] + 0.86 * rows[-1]):
        y = -float(np.interp(row, np.arange(len(mesh.y)), mesh.y))
        inset = 0.1 * abs(edge - stop)
        a, b = (edge - inset, stop + inset) if forward else (edge + inset, stop - inset)
        slides = region.joint is not None and bool(region.joint.put_on_from)
        axes.add_artist(
            FancyArrowPatch(
                (a, y), (b, y), arrowstyle="-|>", mutation_scale=13, color=ACCENT, lw=1.6,
                linestyle="-" if slides else (0, (3, 2)), zorder=6, clip_on=False, shrinkA=0, shrinkB=0,
            )
        )  # fmt: skip


def _labels(axes: Axes, regions: Sequence[_Region], mesh: _Mesh, top: float, scale: float) -> None:
    """Write each piece's id and name above it; a name too wide for its place goes a row higher."""
    ends: list[float] = []
    for region in sorted(regions, key=lambda r: r.low + r.shift):
        text = plain(f"{region.piece.id} {region.piece.name}", most=24)
        at = (region.low + region.high) / 2 + region.shift
        half = 0.04 * (len(text) + 2) / scale
        row = next((k for k, end in enumerate(ends) if at - half > end), len(ends))
        ends[row : row + 1] = [at + half]
        column = int(np.argmin(np.abs(mesh.z - (at - region.shift))))
        rows = np.nonzero(region.field[:, column] > 0)[0]
        own_top = -float(mesh.y[rows[0]]) if len(rows) else top
        y = top + (0.14 + 0.2 * min(row, 2)) / scale
        axes.text(
            at, y, text, ha="center", va="bottom", fontsize=9, family=FONT, color=INK, fontweight="bold",
            parse_math=False,
        )  # fmt: skip
        axes.plot([at, at], [y - 0.02 / scale, own_top], color=SOFT, lw=0.8, clip_on=False, zorder=2)


def _notes(part: Part, regions: Sequence[_Region]) -> list[str]:
    """Return one line a piece that was pulled off: which way it goes on."""
    out = []
    words = {"start": "from the start (the left)", "end": "from the end (the right)"}
    for region in regions:
        if region.shift == 0:
            continue
        ways = () if region.joint is None else region.joint.put_on_from
        on = "the body" if region.joint is None else region.joint.on
        name = f"{region.piece.id} {region.piece.name}"
        if len(ways) == 2:
            text = f"{name} can have been put on {on} from either end"
        elif ways:
            text = f"{name} can only have been put on {on} {words.get(ways[0], ways[0])}"
        elif region.joint is not None and _sides(part, region.piece):
            text = f"{name} cannot slide off {on} as it is now (dashed): what holds it came after it"
        else:
            text = f"{name} lies on {on}; the record does not say what holds them together (dashed)"
        out.append(plain(text, most=120))
    return out
