"""The search for seams: what it finds where, and what it does not take for a seam."""

from dataclasses import replace
from functools import cache
from itertools import pairwise

import numpy as np
import pytest
import shapely
from scipy.special import ndtr

from ctrecon.features.build import MeasuredFeature
from ctrecon.grey.artefacts import find_artefacts
from ctrecon.grey.levels import find_levels
from ctrecon.grey.square_up import SquaredStack, axis_from_normals, square_up
from ctrecon.grey.survey import survey_stack
from ctrecon.seams.base import Base
from ctrecon.seams.false_alarm import chance_of, closed, closed_set, drifts, is_ring, stays_in_slices
from ctrecon.seams.field import SeamField, SolidMetal
from ctrecon.seams.find import find_seams
from ctrecon.seams.line_kinds import along
from ctrecon.seams.parallel import Parallel
from ctrecon.seams.paths import squares
from ctrecon.seams.refine import Scale, SeamCandidate, refine, sampled
from ctrecon.seams.smooth import smooth_field
from ctrecon.seams.wide import rectangle_sums
from ctrecon.shapes import Circle, Rectangle
from ctrecon.slices import SliceStack

MM = 0.05
BLUR = 0.85
X, Y = 37.2, 36.6
OUTER = 30.0
START, END = 5.3, 25.6


def gap(line: np.ndarray, thick: float) -> np.ndarray:
    """A gap's blur: a Gaussian whose area is its thickness."""
    return np.asarray(thick * np.exp(-0.5 * (line / BLUR) ** 2) / (BLUR * np.sqrt(2 * np.pi)))


@cache
def squared(what: str) -> SquaredStack:
    """A solid round bar of 30 px radius, 20 slices long, with a line, a crack or a ring in it; noise 1 in 20."""
    z, y, x = np.meshgrid(np.arange(32.0), np.arange(75.0), np.arange(75.0), indexing="ij")
    dx, dy = x - X, y - Y
    off = np.hypot(dx, dy)
    depth = ndtr((z - START) / BLUR) - ndtr((z - END) / BLUR)
    metal = ndtr((OUTER - off) / BLUR) * depth
    turn = np.radians(21.0)
    u, v = dx * np.cos(turn) + dy * np.sin(turn), -dx * np.sin(turn) + dy * np.cos(turn)
    # the darkest line of a blurred ring lies sigma² / 2R inside it
    aside = np.hypot(dx - 6, dy + 4) - 11.0 + BLUR**2 / 22
    centred = off - 14.0 + BLUR**2 / 28
    inside = {
        "none": np.full_like(off, 99.0),
        "aside": aside,
        "rectangle": np.maximum(np.abs(u) - 17.0, np.abs(v) - 9.0),
        "cone": off - 13.0 - 0.12 * (z - 15.5),
        "half": np.where(u > 0, centred, 99.0),
        "centred": centred,
        "across": np.hypot(dx - 0.15 * (z - 15.5), dy) - 14.0 + BLUR**2 / 28,
        "short": np.where((z > 12) & (z < 20), centred, 99.0),
        "crack": np.where(np.abs(u) < 12, v - 6.0 - 3 * np.sin(u / 5) - 0.2 * (z - 15), 99.0),
    }
    volume = metal - gap(inside.get(what, inside["none"]), 0.25) * depth
    if what == "ring":
        volume = volume - gap(centred, 0.25)
    volume = volume + 0.05 * np.random.default_rng(5).standard_normal(metal.shape)
    stack = SliceStack.from_array((volume * 4000 + 900).astype(np.float32), voxel_mm=MM, source=what)
    levels = find_levels(stack)
    assert levels is not None
    survey = survey_stack(stack, levels, artefacts=find_artefacts(stack, levels))
    return square_up(survey, axis_from_normals(survey.normals))


@cache
def seams(what: str) -> tuple[MeasuredFeature, ...]:
    """Seams found without any axis or outline to go by."""
    return tuple(find_seams(squared(what), []))


def test_round_seam_off_every_axis() -> None:
    """A round line about no known axis is found at its place, with its size, thickness and strength."""
    (one,) = seams("aside")
    f = one.feature
    assert f.kind == "round_seam"
    assert f.diameter_mm is not None and f.x_mm is not None and f.y_mm is not None and f.seam_mm is not None
    assert f.diameter_mm.value / MM == pytest.approx(22.0, abs=0.1)
    assert (f.x_mm.value / MM, f.y_mm.value / MM) == pytest.approx((X + 6, Y - 4), abs=0.1)
    assert f.seam_mm.value / MM == pytest.approx(0.25, abs=0.025)
    assert one.seam is not None
    assert one.seam.z > 15
    assert one.seam.p_false < 1e-4
    assert one.seam.filled_share > 0.9
    assert min(one.seam.sides) > 3


@pytest.mark.parametrize("what", ["none", "crack"])
def test_solid_and_cracked_metal_show_no_seam(what: str) -> None:
    """Neither noise nor a crooked crack that wanders through depth is taken for a seam."""
    assert seams(what) == ()


def _lead(shape: Circle, field: SeamField) -> SeamCandidate:
    return SeamCandidate("circle", shape, 0, len(field.starts) - 2, 20.0, False, 0.0, Scale(0.0, 1.0), 20.0)


def _field(what: str) -> tuple[SeamField, SolidMetal]:
    grid = squared(what)
    solid = SolidMetal(grid.plane, len(grid))
    field = SeamField.of(grid.plane, solid)
    assert field is not None
    return field, solid


def _circle(grid: SquaredStack) -> Circle:
    """The circle of 14 px about the bar's axis, on the square grid."""
    x, y = (np.array([X, Y]) * MM - np.array(grid.origin_mm[:2])) / grid.pitch_mm
    return Circle(float(x), float(y), 14.0)


def test_a_line_on_a_part_of_the_outline_is_not_closed() -> None:
    """A crack along a circle's side gives a reason; a whole circle gives none, and half a circle says that it is half."""
    field, _ = _field("crack")
    assert "crack" in closed(field, _lead(_circle(squared("crack")), field)).reason
    field, _ = _field("centred")
    assert closed(field, _lead(_circle(squared("centred")), field)).reason == ""
    field, _ = _field("half")
    half = closed(field, _lead(_circle(squared("half")), field))
    assert half.reason == ""
    assert half.filled_share == pytest.approx(0.5, abs=0.15)


def _faint_set(thick: float, *, arcs: bool) -> tuple[SeamField, list[SeamCandidate], list[float]]:
    """Metal with four faint circles of 4 px about an axis, or with a ring about it that grazes all four; noise."""
    turns, radius, far = np.radians([20.0, 110.0, 200.0, 290.0]), 4.0, 18.0
    y, x = np.mgrid[:83, :83].astype(float)
    metal = np.ones((83, 83))
    if arcs:
        metal -= gap(np.hypot(x - 41, y - 41) - far - radius, thick)
    rivets = [Circle(41 + far * float(np.cos(t)), 41 + far * float(np.sin(t)), radius) for t in turns]
    for one in () if arcs else rivets:
        metal -= gap(np.hypot(x - one.x, y - one.y) - radius, thick)
    rng = np.random.default_rng(12)
    planes = [(metal + 0.05 * rng.standard_normal(metal.shape)).astype(np.float32) for _ in range(24)]
    field = SeamField.of(planes.__getitem__, SolidMetal(planes.__getitem__, len(planes)))
    assert field is not None
    return field, [_lead(one, field) for one in rivets], turns.tolist()


def test_faint_circles_of_a_set_go_round_together() -> None:
    """Four circles of which most do not show all round alone do so together; a ring that grazes all of them does not."""
    field, leads, turns = _faint_set(0.02, arcs=False)
    alone = [closed(field, lead) for lead in leads]
    together = closed_set(field, leads, turns)
    assert sum(bool(one.reason) for one in alone) >= 2
    assert together.reason == ""
    assert min(together.sides) > 0.5 * max(together.sides)
    grazed = closed_set(*_faint_set(0.1, arcs=True))
    assert grazed.reason != ""
    assert int(np.argmax(grazed.sides)) == 0  # the side that looks away from the axis


def test_a_ring_goes_on_in_air_and_a_seam_does_not() -> None:
    """The same circle about the part's axis is a ring where it is there above and below the part as well."""
    for what, ring in (("ring", True), ("centred", False)):
        grid = squared(what)
        field, solid = _field(what)
        planes = (field.starts[0], field.starts[-1] - 1)
        assert is_ring(grid.plane, solid, _lead(_circle(grid), field), planes, None, 0.0, 0.05) is ring
    assert seams("ring") == ()
    assert [d.feature.kind for d in seams("centred")] == ["round_seam"]


def test_a_faint_line_about_the_centre_of_known_rings_is_one_of_them() -> None:
    """About the rings' centre a line must stand above the rings; elsewhere it need not."""
    grid = squared("centred")
    field, solid = _field("centred")
    circle = _circle(grid)
    planes = (field.starts[0], field.starts[-1] - 1)
    for centre, ring in (((circle.x, circle.y), True), ((circle.x + 4, circle.y), False)):
        assert is_ring(grid.plane, solid, _lead(circle, field), planes, centre, 0.06, 0.05) is ring


def test_a_square_about_the_centre_of_known_rings_is_no_ring() -> None:
    """Its four corners lie on a circle, its sides do not."""
    grid = squared("centred")
    field, solid = _field("centred")
    circle = _circle(grid)
    square = replace(_lead(circle, field), shape=Rectangle(circle.x, circle.y, 20.0, 20.0, 21.0))
    planes = (field.starts[0], field.starts[-1] - 1)
    assert not is_ring(grid.plane, solid, square, planes, (circle.x, circle.y), 0.06, 0.05)


def test_a_line_that_keeps_its_place_in_the_slices_of_a_leaning_part_is_a_ring() -> None:
    """A circle that moves across the part as the slices do is one, a circle that goes with the part is not."""
    for what, ring in (("across", True), ("centred", False)):
        field, _ = _field(what)
        lead = _lead(_circle(squared(what)), field)
        assert stays_in_slices(field, lead, (0.15, 0.0)) is ring
        assert drifts(field, lead, (0.15, 0.0))
        assert not drifts(field, lead, (0.05, 0.0))  # a pixel of drift tells nothing
        assert not stays_in_slices(field, lead, (0.05, 0.0))


def test_rings_taken_out_leave_a_round_seam_about_the_scanner_axis() -> None:
    """A round seam concentric with the scanner is not corrected away with its rings: the planes keep its dip."""
    rng = np.random.default_rng(3)
    z, y, x = np.meshgrid(np.arange(32.0), np.arange(75.0), np.arange(75.0), indexing="ij")
    off = np.hypot(x - X, y - Y)
    depth = ndtr((z - START) / BLUR) - ndtr((z - END) / BLUR)
    profile = np.interp(off, np.arange(70.0), 0.01 * rng.standard_normal(70))
    solid = ndtr((OUTER - off) / BLUR) * depth
    dips = []
    for thick in (0.0, 0.25):
        volume = solid - gap(off - 14.0, thick) * depth + profile + 0.05 * rng.standard_normal(off.shape)
        stack = SliceStack.from_array((volume * 4000 + 900).astype(np.float32), voxel_mm=MM, source="rings")
        levels = find_levels(stack)
        assert levels is not None
        survey = survey_stack(stack, levels, artefacts=find_artefacts(stack, levels))
        mean = np.mean([survey.plane(k) for k in range(9, 22)], axis=0)
        near = np.abs(off[0] - 14.0)
        dips.append(float(mean[(near > 3) & (near < 6)].mean() - mean[near < 0.7].mean()))
    expected = 0.25 / (BLUR * np.sqrt(2 * np.pi)) * 0.94  # mean over 1.4 px about the darkest line
    assert dips[1] - dips[0] == pytest.approx(expected, rel=0.3)


def test_a_seam_that_ends_inside_the_part_has_its_own_depths() -> None:
    """A line in 7 of 20 slices is found there, its ends to a fraction of a slice."""
    (one,) = seams("short")
    assert one.depths[1] - one.depths[0] == pytest.approx(7.0, abs=1.0)


def test_rectangle_becomes_a_free_seam() -> None:
    """A rectangular line about the part's axis has its outline, area and both flats."""
    grid = squared("rectangle")
    circle = _circle(grid)
    from ctrecon.seams.search import Centre, search

    field, _ = _field("rectangle")
    best = max(search(field, [Centre(circle.x, circle.y, 30.0)], []), key=lambda lead: lead.raw)
    assert isinstance(best.shape, Rectangle)
    assert (best.shape.a, best.shape.b) == pytest.approx((34.0, 18.0), abs=2.5)


def test_smooth_field_knows_neither_cupping_nor_walls() -> None:
    """Grey that rises evenly and ends at a wall leaves less than a hundredth of its span; a line leaves its dip."""
    y, x = np.mgrid[:60, :60].astype(float)
    weight = ((x > 5) & (x < 50)).astype(np.float32)
    noise = 0.02 * np.random.default_rng(2).standard_normal(x.shape) * weight
    slope = (0.02 * x + 0.01 * y) * weight
    assert np.abs(smooth_field(slope, weight)).max() < 0.01
    dip = smooth_field(slope + noise - gap(x - 30, 0.1) * weight, weight)
    assert dip[10:-10, 30].mean() == pytest.approx(-0.1 * 0.2, rel=0.25)


def test_a_parallel_with_nothing_left_inside_is_no_fault() -> None:
    """A line pushed in until its outline is used up has no points; looking it up and refining it changes nothing."""
    box = np.array([[10.0, 10.0], [30.0, 10.0], [30.0, 30.0], [10.0, 30.0]])
    gone = Parallel(Base(box), 12.0)
    fine = np.random.default_rng(9200).standard_normal((2, 40, 40)).astype(np.float32)
    field = SeamField(fine, np.ones_like(fine), fine.astype(np.float16), (0, 4, 8))
    grey, weight = sampled(field, gone, 0, 1)
    assert grey.shape == weight.shape == (2, 0)
    for first, last in ((0, 0), (1, 1), (0, 1)):
        lead = SeamCandidate("parallel", gone, first, last, 5.0, False, 0.0, Scale(0.0, 1.0), 5.0)
        left = refine(field, lead).shape
        assert isinstance(left, Parallel)
        assert left.length == 0


def test_parallel_and_paths() -> None:
    """The parallel of a square 2 px inside is a square 4 px smaller; points along a line are about 1 px apart."""
    box = np.array([[0.0, 0.0], [20.0, 0.0], [20.0, 20.0], [0.0, 20.0]])
    inner = Parallel(Base(box), 2.0)
    assert inner.length == pytest.approx(64.0, rel=0.05)  # its corners are cut by less than a cell
    assert inner.centre == pytest.approx((10.0, 10.0))
    for shape in (Circle(3.0, 4.0, 9.0), Rectangle(3.0, 4.0, 18.0, 10.0, 30.0), inner):
        points = along(shape)
        away = np.abs(shape.signed_distance(points))
        assert np.quantile(away, 0.9) < 0.05
        assert away.max() < (0.4 if shape is inner else 0.1)
        steps = np.hypot(*np.diff(points, axis=0).T)
        assert np.median(steps) == pytest.approx(1.0, abs=0.1)
    lines = list(squares(0.0, 0.0, 20.0))
    assert all(abs(lines[5].shape(t).turn_deg - lines[5].turns[t]) < 1e-9 for t in range(len(lines[5].turns)))


def test_parallels_of_a_toothed_outline_come_from_one_field_of_distances() -> None:
    """Away from the teeth's tips the parallels of a star lie at their offset from it, by a library of geometry."""
    angle = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    radius = 60 + 3 * np.sin(24 * angle)
    star = np.column_stack([70 + radius * np.cos(angle), 80 + radius * np.sin(angle)])
    base = Base(star)
    edge = shapely.LinearRing(star)
    for offset in (3.0, 8.5, 30.25):
        points = Parallel(base, offset).points()
        assert np.abs(shapely.distance(edge, shapely.points(points)) - offset).max() < 0.3
        assert np.hypot(*(points.mean(axis=0) - [70, 80])) < 0.5
        assert abs(np.arctan2(points[0, 1] - 80, points[0, 0] - 70)) < 0.05
    assert len(Parallel(base, 70.0).points()) == 0
    assert len(Base(star[:, :] * [1.0, 0.0]).ring(3.0)[0]) == 0


def test_rectangles_summed_by_their_sides_are_those_summed_by_their_points() -> None:
    """Running sums along turned rows give the same sums as walking along each rectangle and slot."""
    rng = np.random.default_rng(8)
    size, x, y = (60, 64), 31.4, 29.2
    table = np.concatenate([rng.normal(size=(size[0] * size[1], 3)), np.zeros((1, 3))]).astype(np.float32)
    lines, sums, count = rectangle_sums(table, size, x, y, 24.0, 0.0)
    first = np.cumsum([0, *(len(line.turns) for line in lines)])
    for i in (4, 11, len(lines) - 2, len(lines) - 1):
        shape = lines[i].first
        assert isinstance(shape, Rectangle)
        for turn in (0, 7, 40):
            points = along(replace(shape, turn_deg=float(lines[i].turns[turn])))
            column, row = np.rint(points).astype(int).T
            walked = table[np.where((row >= 0) & (row < 60) & (column >= 0) & (column < 64), row * 64 + column, 3840)]
            found = sums[first[i] + turn]
            if shape.corner_radius:  # its points lie elsewhere along the same line: only as many, and as strong
                assert count[first[i] + turn] == pytest.approx(len(points), rel=0.08)
            else:
                assert count[first[i] + turn] == len(points)
                assert found == pytest.approx(walked.sum(axis=0), abs=1e-3)


def test_chance_falls_with_strength() -> None:
    """The chance of a false alarm is one where nothing is seen, falls evenly, and is larger where more was searched."""
    z = np.arange(0.0, 20.0, 0.5)
    known = [chance_of(v, anywhere=False) for v in z]
    assert known[0] == pytest.approx(1.0)
    assert all(a >= b for a, b in pairwise(known))
    assert all(chance_of(v, anywhere=True) >= chance_of(v, anywhere=False) for v in z)


def test_conical_seam() -> None:
    """A line whose radius grows by 0.12 px a slice is found as tapered."""
    from ctrecon.seams.search import Centre, search

    field, _ = _field("cone")
    circle = _circle(squared("cone"))
    best = max(search(field, [Centre(circle.x, circle.y, 30.0)], []), key=lambda lead: lead.raw)
    assert best.growth == pytest.approx(0.12, abs=0.05)


def test_the_scan_s_edge_is_no_face_of_the_part() -> None:
    """Where the scan ends in metal, metal counts up to it; unknown pixels do not; a true face takes two planes."""
    planes = [np.ones((40, 40), np.float32) for _ in range(8)]
    for k in (6, 7):
        planes[k][:, 30:] = np.nan  # a tilted stack leaves a wedge unknown
    solid = SolidMetal(lambda k: planes[k], 8)
    inner = slice(4, -4)
    assert all(solid[k][inner, 4:30].all() for k in range(8))
    assert not solid[7][:, 30:].any()
    assert solid[5][inner, 4:-4].all()
    planes[7][:] = 0.0
    faced = SolidMetal(lambda k: planes[k], 8)
    assert [bool(faced[k][inner, 4:30].any()) for k in (4, 5, 6)] == [True, False, False]


def test_a_large_square_is_found_in_coarse_cells_and_made_to_fit() -> None:
    """A seam of 150 px across the flats in plain noise is met by lines in cells of 2 px or more, refined to half a px."""
    from ctrecon.seams.refine import refine
    from ctrecon.seams.search import Centre, search

    rng = np.random.default_rng(5)
    y, x = np.mgrid[:260, :260].astype(float)
    square = Rectangle(129.3, 130.1, 150.0, 150.0, 31.0)
    far = square.signed_distance(np.column_stack([x.ravel(), y.ravel()])).reshape(x.shape)
    plane = (1 - gap(far, 0.15) + 0.05 * rng.standard_normal(x.shape)).astype(np.float32)
    field = SeamField.of(lambda k: plane, SolidMetal(lambda k: plane, 1))
    assert field is not None
    leads = [lead for lead in search(field, [Centre(129.3, 130.1, 125.0)], []) if lead.name == "square"]
    best = max(leads, key=lambda lead: lead.z)
    assert best.cell > 1
    shape = refine(field, best).shape
    assert isinstance(shape, Rectangle)
    assert shape.a == pytest.approx(150.0, abs=0.5)
    assert (shape.turn_deg - 31.0 + 45) % 90 - 45 == pytest.approx(0.0, abs=0.3)


def test_a_line_that_wanders_off_the_outline_is_a_crack() -> None:
    """The same dips along a circle, and along a wave about it, are told apart by where they lie."""
    rng = np.random.default_rng(6)
    y, x = np.mgrid[:90, :90].astype(float)
    angle, off = np.arctan2(y - 45, x - 45), np.hypot(x - 45, y - 45) - 18.0
    for wave, reason in ((0.0, ""), (1.6, "wanders")):
        plane = 1 - gap(off - wave * np.sin(7 * angle), 0.3) + 0.01 * rng.standard_normal(x.shape)
        field = SeamField.of(lambda k, p=plane: p.astype(np.float32), SolidMetal(lambda k, p=plane: p, 6))
        assert field is not None
        lead = SeamCandidate("circle", Circle(45.0, 45.0, 18.0), 0, len(field.starts) - 2, 9.0, False, 0.0, Scale(0, 0.02), 1.0)
        assert reason in closed(field, lead).reason
        assert bool(reason) is bool(closed(field, lead).reason)
