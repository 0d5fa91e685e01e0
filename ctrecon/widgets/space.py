"""The part in space: its pieces as the record has them, turned by the pointer, taken apart by a slider."""

import html
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import anywidget
import ipywidgets as ipw
import numpy as np
import traitlets
from matplotlib.figure import Figure

from ctrecon.core.errors import CtreconError
from ctrecon.record.part import Part
from ctrecon.solid.mesh import Mesh, meshes_of
from ctrecon.widgets.panel import figure_bytes, panel, paragraph
from ctrecon.widgets.state import Review

__all__ = ["part_from_three_sides", "part_in_space"]

_HERE = Path(__file__).parent
_COLOURS = ("#d9b25f", "#7fb3d6", "#d98b6f", "#8fc79a", "#b9a5d6", "#c9c9c9")  # told apart in light and dark themes
_GAP = 0.15  # of the length of the pieces: the air between them when they are apart
_SIDES = ((25, -60, "seen aslant"), (90, -90, "from the start"), (0, -90, "from the side"))


class _Space(anywidget.AnyWidget):
    """The canvas the pieces are drawn on."""

    _esm = (_HERE / "space.js").read_text(encoding="utf-8")
    _css = (_HERE / "pad.css").read_text(encoding="utf-8")
    triangles = traitlets.Bytes(b"").tag(sync=True)
    lines = traitlets.Bytes(b"").tag(sync=True)
    pieces: Any = traitlets.List([]).tag(sync=True)
    middle: Any = traitlets.List([0.0, 0.0, 0.0]).tag(sync=True)
    reach_mm = traitlets.Float(1.0).tag(sync=True)
    spread = traitlets.Float(1.0).tag(sync=True)
    apart = traitlets.Float(0.0).tag(sync=True)
    label = traitlets.Unicode("").tag(sync=True)
    still = traitlets.Bytes(b"").tag(sync=True)


def _shifts(meshes: tuple[Mesh, ...]) -> list[float]:
    """Return how far along the axis each piece goes (mm) to stand clear of those that begin before it."""
    ends = [(float(one.corners[..., 2].max()), float(one.corners[..., 2].min())) for one in meshes]
    air = _GAP * max(top - bottom for top, bottom in ends)
    shifts = [0.0] * len(meshes)
    floor: float | None = None
    for k in sorted(range(len(meshes)), key=lambda k: (-ends[k][0], k)):
        top, bottom = ends[k]
        shifts[k] = 0.0 if floor is None else min(floor - air - top, 0.0)
        floor = bottom + shifts[k]
    # about the middle, so that nothing leaves the picture
    drawn = [(top + s, bottom + s) for (top, bottom), s in zip(ends, shifts, strict=True)]
    was, now = (
        (max(one[0] for one in some) + min(one[1] for one in some)) / 2 for some in (ends, drawn)
    )  # fmt: skip
    return [s + was - now for s in shifts]


def _space_of(part: Part) -> _Space:
    meshes = meshes_of(part)
    shifts = _shifts(meshes)
    every = np.concatenate([one.corners.reshape(-1, 3) for one in meshes])
    low, high = every.min(axis=0), every.max(axis=0)
    apart = [one.corners[..., 2] + s for one, s in zip(meshes, shifts, strict=True)]
    tall = max(float(one.max()) for one in apart) - min(float(one.min()) for one in apart)
    reach = float(np.linalg.norm(high - low)) / 2
    pieces, at, line = [], 0, 0
    for number, (one, shift) in enumerate(zip(meshes, shifts, strict=True)):
        counts = 3 * len(one.corners), 2 * len(one.edges)
        pieces.append(
            {
                "name": one.name, "colour": _COLOURS[number % len(_COLOURS)], "shift": shift,
                "triangles": [at, counts[0]], "lines": [line, counts[1]],
            }
        )  # fmt: skip
        at, line = at + counts[0], line + counts[1]
    space = _Space(
        triangles=every.astype("<f4").tobytes(),
        lines=np.concatenate([one.edges for one in meshes]).astype("<f4").tobytes(),
        pieces=pieces, middle=[float(v) for v in (low + high) / 2], reach_mm=reach,
        spread=float(np.linalg.norm([*(high - low)[:2], tall])) / 2 / reach,
        label=f"{part.name} in space: {', '.join(one.name for one in meshes)}",
    )  # fmt: skip

    def told(_: object, content: dict[str, Any], __: object) -> None:
        if content.get("kind") == "still" and not space.still:
            space.still = figure_bytes(part_from_three_sides(part))

    space.on_msg(told)
    return space


def part_in_space(of: Review | Part) -> ipw.VBox:
    """Return the panel in which the part is turned, and its pieces are taken apart.

    Without widgets the same is `part_from_three_sides`; files for other programs are `ctrecon.write_solid`.

    Parameters
    ----------
    of : Review or Part
        What is shown; a review is followed as it changes.
    """
    body = ipw.VBox()

    def show(what: str = "part") -> None:
        if what != "part":
            return
        part = of.part if isinstance(of, Review) else of
        try:
            space = _space_of(part)
        except CtreconError as error:
            body.children = (ipw.HTML(paragraph(f"{error}.")),)
            return
        slider = ipw.FloatSlider(
            value=0.0, min=0.0, max=1.0, step=0.01, description="pieces apart", readout=False,
            style={"description_width": "90px"}, layout=ipw.Layout(width="400px"),
        )  # fmt: skip
        slider.add_class("ctr-apart")
        ipw.jslink((slider, "value"), (space, "apart"))
        space.on_msg(lambda *_: setattr(slider.layout, "display", "none"))  # it asks for a still picture
        names = " ".join(
            f'<span style="background:{one["colour"]}; color:#101418; padding:1px 8px; margin-right:6px">'
            f"{html.escape(one['name'])}</span>"
            for one in space.pieces
        )
        above = [slider, ipw.HTML(names)] if len(space.pieces) > 1 else [ipw.HTML(names)]
        space.layout = ipw.Layout(width="100%", max_width="760px")
        body.children = (*above, space)

    if isinstance(of, Review):
        of.on_change(show)
    show()
    part = of.part if isinstance(of, Review) else of
    return panel("ctr-space", f"{part.name} in space", body, still=lambda: _still(part))


def _still(part: Part) -> Sequence[bytes]:
    try:
        return [figure_bytes(part_from_three_sides(part))]
    except CtreconError:
        return ()


def part_from_three_sides(part: Part) -> Figure:
    """Return a picture of the part from three sides, its pieces side by side in their colours.

    Raises
    ------
    InputError
        If the record holds no solid.
    """
    from mpl_toolkits.mplot3d.art3d import Poly3DCollection  # type: ignore[import-untyped]

    meshes = meshes_of(part)
    corners = np.concatenate([one.corners for one in meshes])
    colours = [_COLOURS[k % len(_COLOURS)] for k, one in enumerate(meshes) for _ in one.corners]
    low, high = corners.min(axis=(0, 1)), corners.max(axis=(0, 1))
    figure = Figure(figsize=(11, 4), layout="constrained")
    for k, (rise, turn, title) in enumerate(_SIDES, start=1):
        axes: Any = figure.add_subplot(1, 3, k, projection="3d", proj_type="ortho")
        # all pieces together: what is behind is told by triangle, not by piece
        solid = Poly3DCollection(corners, facecolors=colours, linewidths=0, antialiaseds=False, shade=True)
        axes.add_collection3d(solid)
        axes.set(xlim=(low[0], high[0]), ylim=(low[1], high[1]), zlim=(low[2], high[2]))
        figure.text((k - 0.5) / len(_SIDES), 0.98, title, ha="center", va="top")
        axes.set_box_aspect(high - low)
        axes.view_init(rise, turn)
        axes.set_axis_off()
    return figure
