"""The exploded section: each piece whole and apart from the others, on the side it can have come from."""

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
import shapely
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import FancyArrowPatch, PathPatch
from matplotlib.text import Text

from ctrecon.core.measured import Measured
from ctrecon.plots import to_svg
from ctrecon.plots.pieces import exploded_section
from ctrecon.record.part import Axis, Feature, Joint, Part, Piece, StackInfo

STACK = StackInfo(source="drawn", slices=101, rows=200, columns=200, voxel_mm=(0.1, 0.1, 0.1), scale_basis="stated")
AXIS = Axis(tilt_deg=Measured(0.0, 0.01), direction_xyz=(0.0, 0.0, 1.0))


def shape(ident: str, kind: str, first: float | None, last: float | None, **sizes: float) -> Feature:
    """A feature on the axis x = y = 10 mm."""
    ends = {"depth_from_mm": first, "depth_to_mm": last}
    given = {name: None if v is None else Measured(v, 0.01) for name, v in {**ends, **sizes}.items()}
    return Feature(id=ident, kind=kind, x_mm=Measured(10.0, 0.01), y_mm=Measured(10.0, 0.01), **given)


def piece(ident: str, name: str, *features: str) -> Piece:
    return Piece(
        id=ident, name=name, depth_from_mm=None, depth_to_mm=None, features=features, verdict="separate",
        probability_separate=0.9,
    )  # fmt: skip


def joint(ident: str, *ways: str) -> Joint:
    return Joint(piece=ident, on="P1", features=(), contact_mm2=None, clearance_mm=None, put_on_from=ways, says="")


def part(features: tuple[Feature, ...], pieces: tuple[Piece, ...], joints: tuple[Joint, ...]) -> Part:
    return Part(
        name="drawn", made_with="ctrecon", stack=STACK, axis=AXIS, features=features, pieces=pieces, joints=joints
    )


def sleeve(*ways: str) -> Part:
    """A spacer of 8 mm on a boss with a 4 mm square, between a flange of 12 mm and a free end."""
    features = (
        shape("F1", "round_outside", 1, 3, diameter_mm=12.0), shape("F2", "round_outside", 3, 6, diameter_mm=8.0),
        shape("F3", "square_seam", 3, 6, flats_mm=4.0, turn_deg=0.0, seam_mm=0.01),
        shape("F4", "square_outside", 6, 8, flats_mm=4.0, turn_deg=0.0),
    )  # fmt: skip
    pieces = (piece("P1", "body", "F1", "F4"), piece("P2", "spacer", "F2", "F3"))
    return part(features, pieces, (joint("P2", *ways),))


def sandwich() -> Part:
    """Three discs on a square arbor, told apart by two flat seams and the square one that goes through them."""
    features = (
        shape("F1", "square_outside", 0, 1, flats_mm=3.0, turn_deg=0.0),
        shape("F2", "round_outside", 1, 2, diameter_mm=14.0), shape("F3", "round_outside", 2, 4, diameter_mm=7.0),
        shape("F4", "round_outside", 4, 5, diameter_mm=12.0),
        shape("F5", "square_outside", 5, 8, flats_mm=3.0, turn_deg=0.0),
        shape("F6", "square_seam", 1, 5, flats_mm=3.0, turn_deg=0.0, seam_mm=0.01),
        shape("F7", "face_seam", 2, 2, seam_mm=0.01), shape("F8", "face_seam", 4, 4, seam_mm=0.01),
    )  # fmt: skip
    pieces = (
        piece("P1", "body", "F1", "F5"), piece("P2", "spacer", "F2", "F3", "F4", "F6"), piece("P3", "layer", "F7"),
        piece("P4", "layer", "F8"),
    )  # fmt: skip
    return part(features, pieces, (joint("P2", "start", "end"), joint("P3"), joint("P4")))


def layers() -> Part:
    """Two discs face to face, the first of which runs out of the stack."""
    features = (
        shape("F1", "round_outside", None, 4, diameter_mm=9.0), shape("F2", "round_outside", 4, 7, diameter_mm=6.0),
        shape("F3", "face_seam", 4, 4, seam_mm=0.01),
    )  # fmt: skip
    return part(features, (piece("P1", "body", "F1"), piece("P2", "layer", "F3", "F2")), (joint("P2"),))


def bush() -> Part:
    """A bush of 6 mm with a 3 mm bore, let into a blind seat from the start."""
    features = (
        shape("F1", "round_outside", 1, 8, diameter_mm=12.0), shape("F2", "round_hole", 1, 8, diameter_mm=3.0),
        shape("F3", "round_seam", 1, 6, diameter_mm=6.0, seam_mm=0.01),
    )  # fmt: skip
    return part(features, (piece("P1", "body", "F1", "F2"), piece("P2", "bush", "F3")), (joint("P2", "start"),))


ALL = {"sleeve": sleeve("end"), "held": sleeve(), "sandwich": sandwich(), "layers": layers(), "bush": bush()}


def areas(figure: Figure) -> list[shapely.Geometry]:
    """Return what is hatched, as areas in mm, in the order of the pieces."""
    found = []
    for patch in figure.axes[0].patches:
        if isinstance(patch, PathPatch) and patch.get_hatch():
            rings = [shapely.Polygon(one) for one in patch.get_path().to_polygons()]
            found.append(shapely.unary_union([ring.buffer(0) for ring in rings]))
    return found


def arrows(figure: Figure) -> list[tuple[float, float, bool]]:
    """Return (from, to, dashed) of each arrow along the axis."""
    found = []
    for patch in figure.axes[0].patches:
        if isinstance(patch, FancyArrowPatch):
            (start, _), (end, _) = patch._posA_posB
            found.append((start, end, patch.get_linestyle() not in ("-", "solid")))
    return found


@pytest.mark.parametrize("name", ALL)
def test_pieces_stand_apart(name: str) -> None:
    """No two pieces touch once they are pulled apart, and there are as many as in the record."""
    drawn = areas(exploded_section(ALL[name]))
    assert len(drawn) == len(ALL[name].pieces)
    for one, other in combinations(drawn, 2):
        assert one.distance(other) > 0.3


def test_no_metal_is_lost() -> None:
    """The pieces of the sleeve have together the area of the section before it was taken apart, each its own."""
    body, spacer = areas(exploded_section(sleeve("end")))
    assert body.area == pytest.approx(2 * 12 + 5 * 4, rel=0.01)
    assert spacer.area == pytest.approx(3 * (8 - 4), rel=0.01)


def test_bush_lies_within_its_seam() -> None:
    """A piece that owns no outside is the metal inside its seam."""
    body, inner = areas(exploded_section(bush()))
    assert inner.area == pytest.approx(5 * (6 - 3), rel=0.01)
    assert body.area == pytest.approx(7 * (12 - 3) - 5 * (6 - 3), rel=0.01)
    assert inner.bounds[2] < body.bounds[0]


def test_discs_of_a_sandwich_part_and_the_arbor_stays_whole() -> None:
    """Flat seams cut the discs from each other, not the arbor that runs through them."""
    arbor, *discs = areas(exploded_section(sandwich()))
    assert arbor.area == pytest.approx(8 * 3, rel=0.01)
    assert sorted(disc.area for disc in discs) == pytest.approx([2 * (7 - 3), 12 - 3, 14 - 3], rel=0.02)


@pytest.mark.parametrize(("way", "sign"), [("end", 1), ("start", -1)])
def test_pulled_to_the_side_it_came_from(way: str, sign: int) -> None:
    """The spacer stands on the side the joint names, and its arrows point back at the body."""
    figure = exploded_section(sleeve(way))
    body, spacer = areas(figure)
    assert sign * (spacer.centroid.x - body.centroid.x) > 0
    assert all(sign * (start - end) > 0 and not dashed for start, end, dashed in arrows(figure))


def test_held_piece_is_dashed_and_says_so() -> None:
    """Where a piece can't slide off, its arrows are dashed and a sentence says it."""
    figure = exploded_section(sleeve())
    assert arrows(figure)
    assert all(dashed for _, _, dashed in arrows(figure))
    assert any("cannot slide off P1" in text.get_text() for text in figure.texts)


@pytest.mark.parametrize("name", ALL)
def test_it_can_be_read(name: str) -> None:
    """Labels are 8 points or more, inside the picture and clear of each other; hatches differ."""
    figure = exploded_section(ALL[name])
    FigureCanvasAgg(figure).draw()
    drawn = [
        t
        for t in figure.findobj(Text)
        if t.get_text().strip() and (t.axes is None or t.axes.axison or t in t.axes.texts)
    ]
    boxes = [t.get_window_extent() for t in drawn]
    width, height = figure.get_size_inches() * figure.dpi
    assert all(t.get_fontsize() >= 8 for t in drawn)
    assert all(b.x0 >= 0 and b.y0 >= 0 and b.x1 <= width and b.y1 <= height for b in boxes)
    assert not [1 for one, two in combinations(boxes, 2) if one.overlaps(two)]
    words = [t.get_text() for t in drawn]
    for one in ALL[name].pieces:
        assert f"{one.id} {one.name}" in words
    hatches = [p.get_hatch() for p in figure.axes[0].patches if isinstance(p, PathPatch) and p.get_hatch()]
    assert len(set(hatches)) == len(hatches)


def test_one_piece_is_drawn_whole() -> None:
    """A record of one piece has one hatched area and no arrow; one without outsides says that nothing can be drawn."""
    alone = replace(bush(), pieces=bush().pieces[:1], joints=(), features=bush().features[:2])
    figure = exploded_section(alone)
    (body,) = areas(figure)
    assert body.area == pytest.approx(7 * (12 - 3), rel=0.01)
    assert arrows(figure) == []
    nothing = exploded_section(replace(alone, features=(), pieces=()))
    assert "no section" in nothing.texts[0].get_text()


def test_same_picture_every_time() -> None:
    """The same record gives the same bytes."""
    assert to_svg(exploded_section(sandwich())) == to_svg(exploded_section(sandwich()))
    assert np.isfinite(exploded_section(layers()).get_size_inches()).all()
