"""Coordinates of set-ups: geometry, and u against Monte Carlo of the same errors made one by one."""

from math import atan2, cos, hypot, radians, sin

import numpy as np
import pytest

from ctrecon.workshop.drilling.coordinates import Face, PickUp, choose_face, choose_pick_up, hole_coordinates
from ctrecon.workshop.drilling.places import Place, ScanU, joint_covariance
from ctrecon.workshop.errors import PlanError

SCANS = {"s": ScanU(0.05, 0.002, 0.15), "t": ScanU(0.08, 0.001, 0.1)}
ALL = frozenset("12")


def drawn(place: Place, errors: dict[str, tuple[np.ndarray, ...]], rng: np.random.Generator, n: int) -> np.ndarray:
    """Return n places as they may truly be: own errors, then what the whole scan shares."""
    own = rng.multivariate_normal(
        [0, 0],
        [[place.u_x**2, place.r * place.u_x * place.u_y], [place.r * place.u_x * place.u_y, place.u_y**2]],
        n,
    )
    p = np.array([place.x, place.y]) + own
    if place.scan is not None:
        dx, dy, scale, turn = errors[place.scan]
        x, y = p[:, 0] * (1 + scale), p[:, 1] * (1 + scale)
        p = np.stack([np.cos(turn) * x - np.sin(turn) * y + dx, np.sin(turn) * x + np.cos(turn) * y + dy], axis=1)
    return p


@pytest.mark.parametrize("face", ["top", "bottom"])
@pytest.mark.parametrize("second", [True, False])
@pytest.mark.parametrize("scan", ["s", "t", None])
def test_u_as_by_monte_carlo(face: Face, second: bool, scan: str | None) -> None:
    """Spread and correlation of a hole's coordinates agree with 200 000 draws, zero and hole of one scan or of two."""
    n, rng = 200_000, np.random.default_rng(5)
    hole = Place(31.0, 12.0, 0.010, 0.016, 0.4, scan)
    zero = Place(-14.0, 9.0, 0.012, 0.008, -0.3, "s")
    along = Place(20.0, -16.0, 0.02, 0.01, 0.0, "s") if second else None
    pick_up = PickUp("A", "bearing", zero, ALL, along, 25.0, 0.2)
    got = hole_coordinates({"h": hole}, pick_up, face_up=face, scans=SCANS).holes[0]
    errors = {
        name: (
            rng.normal(0, one.shift, n), rng.normal(0, one.shift, n), rng.normal(0, one.scale, n),
            rng.normal(0, radians(one.turn_deg), n),
        )
        for name, one in SCANS.items()
    }  # fmt: skip
    h, z = drawn(hole, errors, rng, n), drawn(zero, errors, rng, n)
    if along is not None:
        a = drawn(along, errors, rng, n) - z
        turn = np.arctan2(a[:, 1], a[:, 0])
    else:
        turn = radians(25.0) + rng.normal(0, radians(0.2), n) + errors["s"][3]
    d = h - z
    x = (np.cos(turn) * d[:, 0] + np.sin(turn) * d[:, 1]) * (-1 if face == "bottom" else 1)
    y = -np.sin(turn) * d[:, 0] + np.cos(turn) * d[:, 1]
    assert got.x == pytest.approx(x.mean(), abs=2e-3)
    assert got.y == pytest.approx(y.mean(), abs=2e-3)
    assert got.u_x == pytest.approx(x.std(), rel=0.01)
    assert got.u_y == pytest.approx(y.std(), rel=0.01)
    assert got.r == pytest.approx(np.corrcoef(x, y)[0, 1], abs=0.01)
    assert got.u_distance == pytest.approx(np.hypot(x, y).std(), rel=0.01)


def test_one_scan_cancels_its_shift_and_turn() -> None:
    """From a bearing centre and a second centre of the same scan only the scale is left; typed places keep all of it."""
    scans = {"s": ScanU(1.0, 0.0, 2.0)}
    zero, along, hole = (Place(x, y, scan="s") for x, y in ((3, 4), (50, 4), (20, 30)))
    same = hole_coordinates({"h": hole}, PickUp("A", "bearing", zero, ALL, along), scans=scans).holes[0]
    assert same.u_x == pytest.approx(0, abs=1e-9)
    assert same.u_y == pytest.approx(0, abs=1e-9)
    edges = hole_coordinates({"h": hole}, PickUp("E", "edges", zero, ALL), scans=scans).holes[0]
    assert edges.u_distance == pytest.approx(0, abs=1e-9)
    assert max(edges.u_x, edges.u_y) == pytest.approx(0, abs=1e-9)
    other = hole_coordinates({"h": Place(20, 30)}, PickUp("A", "bearing", zero, ALL, along), scans=scans).holes[0]
    assert other.u_x > 1
    scaled = hole_coordinates(
        {"h": hole}, PickUp("A", "bearing", zero, ALL, along), scans={"s": ScanU(0, 0.001)}
    ).holes[0]
    assert scaled.u_distance == pytest.approx(0.001 * hypot(17, 26))


def test_bottom_face_mirrors_x() -> None:
    """Seen from below X runs the other way; distances stay."""
    pick_up = PickUp("A", "bearing", Place(10, 5), ALL, turn_deg=30)
    top = hole_coordinates({"h": Place(17, 1)}, pick_up).holes[0]
    bottom = hole_coordinates({"h": Place(17, 1)}, pick_up, face_up="bottom").holes[0]
    assert (bottom.x, bottom.y, bottom.distance) == pytest.approx((-top.x, top.y, top.distance))
    c, s = cos(radians(30)), sin(radians(30))
    assert (top.x, top.y) == pytest.approx((7 * c - 4 * s, -7 * s - 4 * c))
    assert atan2(top.y, top.x) == pytest.approx(atan2(-4, 7) - radians(30))


def test_the_surest_pick_up_in_the_uppermost_plate_is_chosen() -> None:
    """Edges 30 mm off with a poor direction lose to the bearing; with the bottom up only what that plate has counts."""
    bearing = PickUp("bearing A", "bearing", Place(0, 0, 0.01, 0.01), frozenset("1"), Place(40, 0, 0.01, 0.01))
    edges = PickUp("left and lower", "edges", Place(-30, -20, 0.02, 0.02), frozenset("12"), u_turn_deg=0.2)
    holes = {"h": Place(25, 10, 0.01, 0.01)}
    chosen = choose_pick_up([edges, bearing], holes, "12")
    assert chosen.pick_up == "bearing A"
    assert chosen.worst_u < hole_coordinates(holes, edges).worst_u
    assert "from left and lower it would be U" in chosen.reason
    below = choose_pick_up([edges, bearing], holes, "12", face_up="bottom")
    assert below.pick_up == "left and lower"
    assert "X runs to the left" in below.reason
    with pytest.raises(PlanError, match="nothing to pick up from is in plate 3"):
        choose_pick_up([edges, bearing], holes, "3")


def test_the_face_that_most_holes_ask_for_is_up() -> None:
    """A tie or no wish at all leaves the top face up; the others need the stack turned over."""
    both = choose_face({"p": "top", "q": "bottom", "r": None})
    assert (both.face_up, both.turned_over) == ("top", ("q",))
    assert choose_face({"r": None}).face_up == "top"
    below = choose_face({"p": "top", "q": "bottom", "r": "bottom"})
    assert (below.face_up, below.turned_over) == ("bottom", ("p",))
    assert "turn the stack over for p" in below.reason


def test_what_cannot_be_is_refused() -> None:
    """A second place on the zero, an unreachable face, a scan without its u, and a negative u each get a sentence."""
    zero = Place(1, 1)
    with pytest.raises(PlanError, match="gives no direction"):
        hole_coordinates({"h": Place(2, 2)}, PickUp("A", "bearing", zero, ALL, zero))
    with pytest.raises(PlanError, match="cannot be reached with the bottom face up"):
        hole_coordinates({"h": Place(2, 2)}, PickUp("A", "pin", zero, ALL, face="top"), face_up="bottom")
    with pytest.raises(PlanError, match="names scan z"):
        joint_covariance([Place(1, 1, scan="z")], {})
    with pytest.raises(PlanError, match="negative u"):
        joint_covariance([Place(1, 1, -0.1)], {})
