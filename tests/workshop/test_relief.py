"""Relief arcs against worked values and shapely's areas and distances."""

import numpy as np
import pytest
from shapely.affinity import translate
from shapely.geometry import LineString, Point, Polygon, box

from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.relief import relief_of_disc, relief_of_edge, relief_of_outline


def disc(x: float, y: float, r: float) -> Polygon:
    return Point(x, y).buffer(r, quad_segs=360)


def test_straight_edge() -> None:
    """r 8, c 0.5, edge at 7 (own worked case): 1.5 deep and 9.6437 long; area and wall as shapely finds them."""
    cut = relief_of_edge(8, 0.5, 7, behind=6)
    assert (cut.depth, 2 * cut.half_chord) == pytest.approx((1.5, 9.6437), abs=5e-5)
    assert cut.radius == 8.5
    bar = box(7, -20, 13, 20)
    assert cut.area == pytest.approx(bar.intersection(disc(0, 0, 8.5)).area, rel=1e-4)
    assert cut.wall == pytest.approx(LineString([(13, -20), (13, 20)]).distance(disc(0, 0, 8.5)), abs=1e-4)
    assert "4.50 mm of wall" in cut.reason


def test_round_spacer() -> None:
    """R 8.5, spacer 6, 13 apart, 2 mm bore (own worked case): depth 1.5, half-chord 3.1514, area 6.3813, wall 3.5."""
    cut = relief_of_disc(8, 0.5, 13, 6, bore=2)
    assert (cut.depth, cut.half_chord, cut.area, cut.wall) == pytest.approx((1.5, 3.1514, 6.3813, 3.5), abs=5e-5)
    spacer = disc(13, 0, 6)
    assert cut.area == pytest.approx(spacer.intersection(disc(0, 0, 8.5)).area, rel=1e-4)
    assert relief_of_disc(8, 0.5, 13, 6).wall == 10.5


def test_random_discs_as_by_polygons() -> None:
    """Depth, opening and area of random pairs agree with shapely; what is left clears the turning part by c."""
    rng = np.random.default_rng(21)
    for _ in range(40):
        r, c, s = rng.uniform(4, 12), rng.uniform(0.1, 1), rng.uniform(3, 9)
        apart = rng.uniform(max(s, r + c) + 0.2, r + c + s - 0.05)
        cut = relief_of_disc(r, c, apart, s, least_wall=0.0)
        spacer, reach = disc(apart, 0, s), disc(0, 0, r + c)
        both = spacer.intersection(reach)
        assert cut.area == pytest.approx(both.area, rel=2e-3, abs=1e-3)
        assert cut.depth == pytest.approx(both.bounds[2] - both.bounds[0], abs=1e-3)
        rims = spacer.exterior.intersection(reach.exterior)
        assert 2 * cut.half_chord == pytest.approx(rims.bounds[3] - rims.bounds[1], abs=0.01)
        assert spacer.difference(reach).distance(disc(0, 0, r)) == pytest.approx(c, abs=1e-3)


def test_any_outline_agrees_with_the_closed_forms() -> None:
    """The general relief gives the spacer's and the edge's figures, with the bore as the nearest hole."""
    spacer = translate(disc(0, 0, 6).difference(disc(0, 0, 1)), 13, 0)
    cut = relief_of_outline(spacer, (0, 0), 8, 0.5)
    assert (cut.depth, cut.half_chord, cut.area, cut.wall) == pytest.approx((1.5, 3.1514, 6.3813, 3.5), abs=2e-3)
    assert cut.wall_to == "the nearest hole"
    bar = relief_of_outline(box(7, -20, 13, 20), (0, 0), 8, 0.5)
    assert (bar.depth, 2 * bar.half_chord, bar.wall) == pytest.approx((1.5, 9.6437, 4.5), abs=0.02)
    assert bar.wall_to == "the far side of the part"


def test_a_neck_elsewhere_is_not_the_reliefs_doing() -> None:
    """A tail 0.8 wide that was there before neither counts as wall nor refuses the cut."""
    part = box(7, -20, 17, 20).union(box(12, 19, 12.8, 40)).union(box(10, 39, 16, 46))
    cut = relief_of_outline(part, (0, 0), 8, 0.5)
    assert cut.needed
    assert cut.wall is None


def test_no_wall_no_relief() -> None:
    """Too little wall, a bore cut into, a part cut in two, or a centre inside the metal are refused with what limits."""
    with pytest.raises(PlanError, match=r"only 0\.40 mm of wall remain to its ⌀8\.2 bore, 0\.5 mm are wanted"):
        relief_of_disc(8, 0.5, 13, 6, bore=8.2)
    with pytest.raises(PlanError, match="no wall remains to its ⌀10 bore"):
        relief_of_disc(8, 0.5, 13, 6, bore=10)
    with pytest.raises(PlanError, match="takes the whole spacer"):
        relief_of_disc(20, 0.5, 7, 6)
    with pytest.raises(PlanError, match="inside the spacer"):
        relief_of_disc(8, 0.5, 3, 6)
    with pytest.raises(PlanError, match="no wall remains to what is behind the edge"):
        relief_of_edge(8, 0.5, 7, behind=1.5)
    with pytest.raises(PlanError, match="in two"):
        relief_of_outline(box(7, -20, 8, 20), (0, 0), 8, 0.5)
    with pytest.raises(PlanError, match="inside the part"):
        relief_of_outline(box(-7, -20, 8, 20), (0, 0), 8, 0.5)
    with pytest.raises(PlanError, match="no wall remains to the nearest hole"):
        relief_of_outline(box(7, -20, 30, 20).difference(disc(9.5, 0, 1.2)), (0, 0), 8, 0.5)


def test_nothing_to_cut() -> None:
    """A part that turns clear needs no relief, and the dividers' radius is still told."""
    for cut in (
        relief_of_edge(8, 0.5, 9), relief_of_disc(8, 0.5, 15, 6), relief_of_outline(box(9, 0, 12, 5), (0, 0), 8, 0.5),
    ):  # fmt: skip
        assert not cut.needed
        assert (cut.depth, cut.area, cut.radius) == (0, 0, 8.5)
        assert "no relief is needed" in cut.reason


def test_u_is_told_where_it_matters() -> None:
    """A wall of 0.6 known to U 0.2 may come out under the 0.5 wanted; a gap to spare smaller than U is to be tried."""
    thin = relief_of_disc(8, 0.5, 13, 6, bore=7.8, u=0.1)
    assert thin.wall == pytest.approx(0.6)
    assert thin.u == 0.1
    assert "known to U 0.20 mm, so the wall may come out under 0.5 mm" in thin.reason
    assert "may come out" not in relief_of_disc(8, 0.5, 13, 6, bore=2, u=0.1).reason
    assert "try it before assembly" in relief_of_edge(8, 0.5, 8.6, u=0.1).reason
    assert "turns 1.50 mm clear" in relief_of_edge(8, 0.5, 9.5, u=0.1).reason
    with pytest.raises(PlanError, match="below 0"):
        relief_of_edge(8, 0.5, 7, u=-1)
