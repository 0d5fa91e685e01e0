"""Pictures of seams: what they mark stands at its place, everything can be read and nothing is cut off."""

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text

from ctrecon.core.measured import Measured
from ctrecon.plots import to_svg
from ctrecon.plots.unrolled import face_seam_map, seam_section, unrolled_seam
from ctrecon.record.part import Part
from ctrecon.record.pictures import FaceSeamPicture, SeamPicture
from ctrecon.shapes import Rectangle


def seam(hub: Part, *, noise: float = 0.0, dip: float = -0.05) -> SeamPicture:
    """The hub's square seam as drawn: 24 px flats, dark on its first half from slice 40 to 70."""
    ident = next(f.id for f in hub.features if f.kind == "square_seam")
    along = np.arange(96) + 0.5
    depth = np.arange(30.0, 81.0)
    contrast = np.zeros((len(depth), len(along)))
    contrast[(depth >= 40) & (depth <= 70)] = np.where(along < 48, dip, 0.0)
    contrast += np.random.default_rng(3).normal(0, noise, contrast.shape) if noise else 0
    contrast[depth > 76] = np.nan
    section = np.random.default_rng(4).normal(0, 0.004, (50, 46))
    section[:5] = np.nan
    outline = Rectangle(22.5, 25.0, 24.0, 24.0, 10.0).outline()
    points = np.array([np.interp(along, np.r_[0, 24, 48, 72, 96], outline[:, k]) for k in (0, 1)]).T
    angle = np.degrees(np.arctan2(points[:, 1] - 25.0, points[:, 0] - 22.5)) % 360
    return SeamPicture(
        feature=ident, along_px=along, angle_deg=angle, corners_px=(24.0, 48.0, 72.0, 0.0), depth_slices=depth,
        contrast=contrast.astype(np.float32), section=section.astype(np.float32), outline_px=outline, planes=28,
    )  # fmt: skip


def flat(hub: Part) -> tuple[FaceSeamPicture, Part]:
    """A flat seam at slice 40, and the hub with it in its record."""
    old = next(f for f in hub.features if f.kind == "square_seam")
    at = Measured(40 * hub.stack.voxel_mm[0], 0.01)
    face = replace(old, id="F77", kind="face_seam", depth_from_mm=at, depth_to_mm=at)
    depth = np.arange(30.0, 51.0)
    picture = FaceSeamPicture(
        feature="F77", contrast=np.full((40, 44), -0.02, dtype=np.float32), outline_px=np.array(
            [[5.0, 5.0], [35.0, 5.0], [35.0, 35.0], [5.0, 35.0], [5.0, 5.0]]), depth_slices=depth,
        profile=-0.02 * np.exp(-((depth - 40) ** 2) / 2),
    )  # fmt: skip
    return picture, replace(hub, features=(*hub.features, face))


def texts(figure: Figure) -> list[Text]:
    """Return every text that is drawn."""
    FigureCanvasAgg(figure).draw()
    found = [t for t in figure.findobj(Text) if t.get_visible() and t.get_text().strip()]
    hidden = [t for axes in figure.axes for t in _outside_ticks(axes)]
    return [t for t in found if t not in hidden]


def _outside_ticks(axes: Axes) -> list[Text]:
    """Tick labels beyond the ends of their axis exist but are not drawn."""
    out: list[Text] = []
    for own in (axes, *axes.child_axes):
        for axis, (low, high) in ((own.xaxis, sorted(own.get_xlim())), (own.yaxis, sorted(own.get_ylim()))):
            out += [
                label
                for tick in axis.get_major_ticks()
                if not low - 1e-9 <= tick.get_loc() <= high + 1e-9
                for label in (tick.label1, tick.label2)
            ]
    return out


def check_readable(figure: Figure) -> None:
    """All letters are at least 8 points high, inside the picture, and clear of each other."""
    drawn = texts(figure)
    assert drawn
    boxes = [(t.get_text(), t.get_window_extent()) for t in drawn]
    width, height = figure.get_size_inches() * figure.dpi
    for one in drawn:
        assert one.get_fontsize() >= 8, one.get_text()
    for name, box in boxes:
        assert box.x0 >= 0 and box.y0 >= 0 and box.x1 <= width and box.y1 <= height, name
    for (a, one), (b, two) in combinations(boxes, 2):
        assert not one.padded(-1).overlaps(two.padded(-1)), (a, b)


@pytest.mark.parametrize("draw", [unrolled_seam, seam_section])
def test_pictures_of_a_side_seam_can_be_read(hub: Part, draw: object) -> None:
    """No label of either picture is small, cut off or written over another."""
    check_readable(draw(seam(hub), hub))  # type: ignore[operator]


def test_picture_of_a_flat_seam_can_be_read(hub: Part) -> None:
    """No label of the map of a flat seam is small, cut off or written over another."""
    check_readable(face_seam_map(*flat(hub)))


def test_ends_as_found_are_marked(hub: Part) -> None:
    """Dashed lines lie at the depths the record gives, on the map and on the curve beside it."""
    picture = seam(hub)
    feature = hub.feature(picture.feature)
    figure = unrolled_seam(picture, hub)
    for axes in figure.axes[:2]:
        level = [line.get_ydata()[0] for line in axes.lines if len(set(line.get_ydata())) == 1 and line.is_dashed()]
        assert level == pytest.approx([feature.depth_from_mm.value, feature.depth_to_mm.value])


def test_curves_tell_where_it_is_closed(hub: Part) -> None:
    """The curve below the map is -5 % on the open half of the outline and 0 on the closed half."""
    figure = unrolled_seam(seam(hub), replace_ends(hub, 40, 70))
    curve = next(line for line in figure.axes[2].lines if len(line.get_xdata()) == 96)
    values = np.asarray(curve.get_ydata())
    assert values[:48] == pytest.approx(-5.0, abs=0.2)
    assert values[48:] == pytest.approx(0.0, abs=1e-6)


def replace_ends(hub: Part, first: int, last: int) -> Part:
    """Return the hub with its seam from one slice to another."""
    dz = hub.stack.voxel_mm[0]
    ends = {"depth_from_mm": Measured(first * dz, 0.01), "depth_to_mm": Measured(last * dz, 0.01)}
    return replace(hub, features=tuple(replace(f, **ends) if f.kind == "square_seam" else f for f in hub.features))


def test_lengths_follow_the_record(hub: Part) -> None:
    """When true scale stretches the record, the picture's own scales stretch with it."""
    stretched = replace(hub, stack=replace(hub.stack, voxel_mm=tuple(1.1 * v for v in hub.stack.voxel_mm)))
    one, two = (unrolled_seam(seam(part), part).axes[0] for part in (hub, stretched))
    assert two.get_xlim()[1] == pytest.approx(1.1 * one.get_xlim()[1])
    assert two.get_ylim()[0] == pytest.approx(1.1 * one.get_ylim()[0])


def test_faint_line_gets_a_tight_window(hub: Part) -> None:
    """A line of half a percent spans most of the grey scale, though metal and air are 100 % apart."""
    faint = seam(hub, noise=0.004, dip=-0.005)
    image = unrolled_seam(faint, replace_ends(hub, 40, 70)).axes[0].images[0]
    assert 0.4 < image.norm.vmax < 1.5
    drawn = np.ma.filled(image.get_array(), np.nan)
    rows = (faint.depth_slices > 44) & (faint.depth_slices < 66)
    open_half, shut_half = drawn[rows][:, 4:44], drawn[rows][:, 52:92]
    assert np.nanmean(open_half) < np.nanmean(shut_half) - 2 * np.nanstd(shut_half)


def test_section_is_shown_without_and_with_the_line(hub: Part) -> None:
    """Two equal pictures with one window of grey; only the second carries the outline."""
    bare, marked = seam_section(seam(hub), hub).axes[:2]
    assert bare.images[0].get_clim() == marked.images[0].get_clim()
    assert np.ma.allequal(bare.images[0].get_array(), marked.images[0].get_array())
    assert not [line for line in bare.lines if len(line.get_xdata()) > 4]
    assert [line for line in marked.lines if len(line.get_xdata()) > 4]


def test_same_bytes_every_time(hub: Part) -> None:
    """The same seam gives the same picture, byte by byte."""
    assert to_svg(unrolled_seam(seam(hub), hub)) == to_svg(unrolled_seam(seam(hub), hub))
