"""Where views stand, what is seen from which end, and the symbol that says so."""

import math
from functools import cache
from typing import Any

import drawing_checks as checks
import drawing_records as records
import numpy as np
import pytest
from shapely import MultiLineString

from ctrecon.drawing.layout import lay_out
from ctrecon.drawing.model.edges import SOUND
from ctrecon.drawing.model.views import build_model
from ctrecon.drawing.paper.contours import Contour
from ctrecon.drawing.paper.items import Hatch, Label, Shape, Sheet
from ctrecon.drawing.paper.symbols import projection_symbol
from ctrecon.drawing.sheet import make_sheet
from ctrecon.drawing.shown.facing import shows_more, visible_edges
from ctrecon.drawing.shown.section import cut_zones
from ctrecon.drawing.written.dxf import build_pages


@cache
def titles(name: str, projection: str) -> dict[str, float]:
    """Return where the titles of the blocks stand across the first page."""
    sheet: Sheet = make_sheet(getattr(records, name)(), projection=projection)
    heads = ("VIEW", "END VIEW", "START VIEW", "SECTION")
    return {one.text: one.at[0] for one in sheet.pages[0].items if isinstance(one, Label) and one.text.startswith(heads)}


@pytest.mark.parametrize("name", ["lopsided", "hub"])
def test_first_angle_puts_a_view_on_the_far_side_and_third_on_the_near_side(name: str) -> None:
    """ISO 5456-2: seen from the left (the start end, left in the section), first angle stands right, third left."""
    first, third = titles(name, "first"), titles(name, "third")
    assert first["END VIEW"] < first["SECTION A–A"] < first["START VIEW"]
    assert third["START VIEW"] < third["SECTION A–A"] < third["END VIEW"]


@pytest.mark.parametrize(("projection", "beside_large"), [("first", True), ("third", False)])
def test_symbol_is_a_truncated_cone_beside_two_circles(projection: str, beside_large: bool) -> None:
    """ISO 5456-2: both circles show from the small end only, so first angle has them beside the large end."""
    items, wide = projection_symbol(projection, 10.0, 20.0, 8.0)
    shapes = [one.contour for one in items if isinstance(one, Shape)]
    circles = [one.round_of for one in shapes if one.round_of]
    (cone,) = [one for one in shapes if not one.round_of]
    assert len(circles) == 2 and circles[0][:2] == circles[1][:2] and circles[0][2] != circles[1][2]
    ends: dict[float, list[float]] = {}
    for x, y, _ in cone.vertices:
        ends.setdefault(x, []).append(y)
    spans = {x: max(ys) - min(ys) for x, ys in ends.items()}
    assert sorted(spans.values()) == pytest.approx(sorted(2 * one[2] for one in circles))
    nearest = min(spans, key=lambda x: abs(x - circles[0][0]))
    assert (spans[nearest] == max(spans.values())) is beside_large
    lefts = [one.bounds() for one in shapes]
    assert min(b[0] for b in lefts) == pytest.approx(10.0) and max(b[2] for b in lefts) == pytest.approx(10.0 + wide)


def test_far_end_shows_what_stands_before_the_rest_and_nothing_behind_metal() -> None:
    """From the end the lopsided part shows block, plate and bore; the blind hole opens at the start only."""
    model = build_model(records.lopsided())
    cuts = cut_zones(model)
    end = [c.bounds() for _, c, _ in visible_edges(model, cuts, from_end=True)]
    start = [c.bounds() for _, c, _ in visible_edges(model, cuts, from_end=False)]
    blind, block = (9.0, 4.0, 13.0, 8.0), (-9.0, -5.5, 5.0, 3.5)
    assert any(b == pytest.approx(block) for b in end) and not any(b == pytest.approx(block) for b in start)
    assert any(b == pytest.approx(blind) for b in start) and not any(b == pytest.approx(blind) for b in end)
    bore = (-2.5, -2.5, 2.5, 2.5)
    assert sum(b == pytest.approx(bore) for b in end) == 1  # once, though it runs through every zone


def test_end_view_runs_x_to_the_left_and_every_view_says_its_end() -> None:
    """Seen from the far end the block lies right of the bore: it lies left of it as seen from the start."""
    model = build_model(records.lopsided())
    sheet = lay_out(model)
    doc: Any = build_pages(sheet)[0]
    texts = [text for text, _ in checks.text_boxes(doc)]
    assert "seen from the end (X runs" in " ".join(texts) and texts.count("seen from the start end") == 1
    place = {one.text: one.at[0] for one in sheet.pages[0].items if isinstance(one, Label)}
    # rectangles of the block's size, told by which title they stand over
    shapes = [one.contour for one in sheet.pages[0].items if isinstance(one, Shape) and not one.contour.round_of]
    bores = [one.contour.round_of for one in sheet.pages[0].items if isinstance(one, Shape) and one.contour.round_of]
    blocks = [b for b in (one.bounds() for one in shapes) if abs(b[2] - b[0] - 14.0 * sheet.scale) < 1e-6]
    assert len(blocks) == 2
    offsets = {}
    for b in blocks:
        middle = (b[0] + b[2]) / 2
        bore = min((one for one in bores if one), key=lambda one: abs(one[0] - middle))
        title = min(place, key=lambda text: abs(place[text] - middle) if "VIEW" in text or "SECTION B" in text else 1e9)
        offsets[title] = (middle - bore[0]) / sheet.scale
    assert offsets["END VIEW"] == pytest.approx(2.0) and offsets["SECTION B–B"] == pytest.approx(-2.0)


def test_views_without_anything_new_are_left_out() -> None:
    """Between the blind hole's bottom and the block nothing new is there; what is turned needs no cut across at all."""
    assert set(titles("lopsided", "first")) == {"END VIEW", "SECTION A–A", "START VIEW", "SECTION B–B"}
    assert set(titles("stacked", "first")) == {"SECTION A–A", "START VIEW"}


def test_a_cut_across_is_hatched_and_marked_where_it_is_cut() -> None:
    """The block of the lopsided part is cut: hatched over its area less the bore's, with its letter at the section too."""
    sheet = make_sheet(records.lopsided())
    items = [one for page in sheet.pages for one in page.items]
    # shoelace formula on outer ring less holes, in mm of the part
    hatched = [
        (_area(one.outer) - sum(_area(ring) for ring in one.holes)) / sheet.scale**2
        for one in items
        if isinstance(one, Hatch) and not one.solid
    ]
    block = 14.0 * 9.0 - math.pi * 2.5**2
    assert any(abs(one - block) < 0.02 * block for one in hatched), hatched
    assert [one.text for one in items if isinstance(one, Label)].count("B") == 1


def _area(ring: tuple[tuple[float, float], ...]) -> float:
    return abs(sum(a[0] * b[1] - b[0] * a[1] for a, b in zip(ring, ring[1:] + ring[:1], strict=True))) / 2


def test_the_datum_is_an_axis_that_can_be_found_on_the_part() -> None:
    """A plate of free outline has its datum on the larger of two bores, a disc with bolt holes on its rim."""
    free = records.feature("F1", "free_outside", 9.0, 9.0, 0.0, 2.0, area_mm2=records.m(100.0), outline_mm=records.blob(9.0, 9.0, 6.0))
    bores = [records.feature(f"F{k}", "round_hole", x, 7.0, 0.0, 2.0, diameter_mm=records.m(d)) for k, x, d in ((2, 5.0, 1.0), (3, 12.0, 2.0))]
    assert build_model(records.plain("cam", (free, *bores))).datum.id == "F3"
    disc = records.feature("F1", "round_outside", 9.0, 9.0, 0.0, 2.0, diameter_mm=records.m(14.0))
    assert build_model(records.plain("disc", (disc, *bores))).datum.id == "F1"


def test_another_view_is_wanted_where_the_strips_of_a_library_say_so() -> None:
    """Lines near those of a view are its own: as strips about them tell (shapely), for random lines near and far."""
    rng = np.random.default_rng(4)
    slack, said = 0.1, []
    for _ in range(200):
        own = [np.array([rng.uniform(5, 10, 2), rng.uniform(0, 3, 2)]) for _ in range(3)]
        # of other views some have all lines, a little beside; some lack a stretch or a whole one; some none at all
        off, ends = rng.choice([0.02, 0.06, 0.09, 0.25]), rng.choice([0.0, 0.0, 0.05, 2.0])
        views = [[line + rng.uniform(-off, off, 2) + [[0, 0], [ends, 0]] for line in own[: rng.choice([0, 2, 3, 3, 3, 3])]]]
        drawn = [[(0, Contour(tuple((x, y, 0.0) for x, y in line), closed=False), SOUND) for line in lines]
                 for lines in (own, *views)]  # fmt: skip
        strips = MultiLineString([line.tolist() for line in views[0]]).buffer(slack)
        want = MultiLineString([line.tolist() for line in own]).difference(strips).length > 2 * slack
        assert shows_more(drawn[0], drawn[1:], slack) is want
        said.append(want)
    assert 20 < sum(said) < 180
