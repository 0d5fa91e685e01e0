"""Shapes followed from slice to slice, against known truth, the Cramér-Rao bound and a general library."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from scipy import ndimage
from scipy.special import ndtr
from skimage.measure import CircleModel, EllipseModel, find_contours

from ctrecon import Edge, SliceStack, follow_features, measure_stack
from ctrecon.core.errors import InputError, NoScaleError
from ctrecon.core.frames import Floats
from ctrecon.shapes import Circle, Rectangle, RegularPolygon

NOISE, BLUR, FINE = 0.05, 0.8, 4
Shape = Callable[[Floats, Floats, float], Floats]


def stack_of(
    shape: Shape, *, slices: int = 24, side: int = 96, voxel: tuple[float, float, float] = (1, 1, 1), noise: float = NOISE,
    seed: int = 5, change: Callable[[Floats], None] | None = None,
) -> SliceStack:  # fmt: skip
    """Render the sign of a distance (px of dx) on cells a quarter of a voxel wide, blur, average, add noise."""
    dz, dy, dx = voxel
    rng = np.random.default_rng(seed)
    fine = (np.arange(side * FINE) + 0.5) / FINE - 0.5
    volume = np.empty((slices, side, side))
    for k in range(slices):
        inside = (shape(fine * dx, fine[:, None] * dy, k * dz) > 0).astype(float)
        soft = ndimage.gaussian_filter(inside, (BLUR * FINE / dy, BLUR * FINE / dx))
        volume[k] = soft.reshape(side, FINE, side, FINE).mean(axis=(1, 3))
    if change is not None:
        change(volume)
    grey = 12_000 + 30_000 * (volume + rng.normal(0, noise, volume.shape))
    return SliceStack.from_array(grey.astype(np.uint16), voxel_mm=tuple(0.1 * v for v in voxel))


def ring(outer: float = 36.0, bore: float = 16.0, x: float = 47.3, y: float = 48.2, lean: float = 0.0) -> Shape:
    """A disc with a bore off its middle; both lean by a slope in x, as cylinders square to their axis."""

    def distance(xx: Floats, yy: Floats, z: float) -> Floats:
        squeeze = 1 / np.hypot(1, lean)
        dx, dy = (xx - x - lean * z) * squeeze, yy - y
        return np.minimum(outer - np.hypot(dx, dy), np.hypot(dx - 4, dy + 3) - bore)

    return distance


def edges(lean: float = 0.0, depth: float = 12.0) -> list[Edge]:
    """Bore and outside of `ring`, a voxel and a half off."""
    at = 47.3 + lean * depth
    return [
        Edge(shape=Circle(0.1 * (at + 4 + 1.2), 0.1 * (45.2 - 0.9), 1.75), hole=True, depth_mm=0.1 * depth),
        Edge(shape=Circle(0.1 * (at - 1.0), 0.1 * (48.2 + 1.0), 3.5), hole=False, depth_mm=0.1 * depth),
    ]


def bound_of_diameter(radius: float) -> float:
    """Cramér-Rao bound (px) of the diameter, centre, blur and levels unknown (S. M. Kay, Estimation Theory, 1993, section 3)."""
    y, x = np.mgrid[-50:51, -50:51].astype(float)
    x, y = x[(keep := np.abs(np.hypot(x, y) - radius) <= 4.5)], y[keep]
    blur = float(np.hypot(BLUR, np.sqrt(1 / 12)))

    def grey(p: Floats) -> Floats:
        return np.asarray(p[4] + p[5] * ndtr((p[2] - p[3] ** 2 / 2 / p[2] - np.hypot(x - p[0], y - p[1])) / p[3]))

    p = np.array([0.0, 0.0, radius, blur, 0.0, 1.0])
    jac = np.column_stack([(grey(p + h) - grey(p - h)) / 2e-4 for h in 1e-4 * np.eye(6)]) / NOISE
    return 2 * float(np.sqrt(np.linalg.inv(jac.T @ jac)[2, 2]))


def contour(stack: SliceStack, k: int, radius: float) -> Floats:
    """Half-height contour nearest to a radius, (x, y) px."""
    lines = find_contours(stack.plane(k).astype(float), 27_000)
    return min(lines, key=lambda one: abs(np.hypot(*(one - one.mean(axis=0)).T).mean() - radius))[:, ::-1]


def test_errors_are_near_the_cramer_rao_bound() -> None:
    """Scatter of bore and outside is within 1.3 of the bound, their u says so, and the plain way is worse."""
    stack = stack_of(ring(), slices=40)
    ratios, told = [], []
    for one, true in zip(follow_features(stack, edges(depth=20.0)), (16.0, 36.0), strict=True):
        assert list(one.slices) == list(range(40))
        error = (one.value_mm - 0.2 * true) / 0.1
        assert abs(error.mean()) < 0.01
        ratios.append(error / bound_of_diameter(true))
        told.append(np.abs(error) / (one.u_mm / 0.1))
        assert one.failed == {} and one.ends == ("the stack ends", "the stack ends")
    assert np.sqrt(np.mean(np.square(ratios))) < 1.3
    assert 0.85 < np.mean(np.concatenate(told) <= 2) <= 1.0
    assert 0.35 < np.median(np.concatenate(told)) < 0.95
    plain = [2 * CircleModel.from_estimate(contour(stack, k, 16.0)).radius - 32.0 for k in range(0, 40, 5)]
    assert np.abs(np.mean(plain)) > 0.02


def test_a_lean_is_allowed_for() -> None:
    """A bore leaning by 4 degrees keeps its diameter; an ellipse through the contour has the same short axis."""
    lean = np.tan(np.radians(4.0))
    stack = stack_of(ring(lean=lean), slices=30)
    found = follow_features(stack, edges(lean=lean))
    for one, true in zip(found, (16.0, 36.0), strict=True):
        assert one.axis_basis == "own centres"
        assert one.tilt_deg == pytest.approx(4.0, abs=0.15)
        assert one.value_mm.mean() / 0.1 == pytest.approx(2 * true, abs=0.02)
        assert np.polyfit(one.depth_mm, one.x_mm, 1)[0] == pytest.approx(lean, abs=0.002)
    short = [min(EllipseModel.from_estimate(contour(stack, k, 36.0)).axis_lengths) for k in range(5, 25, 4)]
    # blur pulls the contour inwards by sigma^2 / 2R (Mendonça et al., ECCV 2004)
    assert found[1].value_mm.mean() / 0.1 == pytest.approx(2 * np.mean(short) + 0.72 / 36, abs=0.04)


def test_voxels_that_are_no_cubes() -> None:
    """Rows 1.3 times as far apart as columns, slices 1.5 times: diameters and depths come out in mm."""
    stack = stack_of(ring(outer=36, y=60.0), voxel=(1.5, 1.3, 1.0))
    at = [replace(e, shape=replace(e.shape, y=e.shape.y + 1.18), depth_mm=1.8) for e in edges()]
    for one, true in zip(follow_features(stack, at), (16.0, 36.0), strict=True):
        assert one.value_mm.mean() / 0.1 == pytest.approx(2 * true, abs=0.02)
        assert one.depth_mm[1] - one.depth_mm[0] == pytest.approx(0.15)
        assert one.y_mm.mean() == pytest.approx(6.0 - 0.3 * (true == 16.0), abs=0.002)


def test_it_stops_where_the_shape_ends_and_says_so() -> None:
    """A bore that goes through slices 6 to 19 only is followed there, and both ends are told."""
    whole, blank = ring(), ring(bore=-1.0)
    stack = stack_of(lambda x, y, z: whole(x, y, z) if 6 <= z <= 19 else blank(x, y, z))
    bore, outside = follow_features(stack, edges())
    assert list(bore.slices) == list(range(6, 20))
    assert bore.ends[0].startswith("slice 5: ") and bore.ends[1].startswith("slice 20: ")
    assert list(outside.slices) == list(range(24)) and outside.ends == ("the stack ends", "the stack ends")


def test_a_shape_that_leaves_the_stack() -> None:
    """A bore that leans out of the picture is fitted to what is left of it, with more u, until too little is left."""
    lean = 0.2
    squeeze = 1 / np.hypot(1, lean)
    stack = stack_of(lambda x, y, z: np.hypot((x - 76 - lean * z) * squeeze, y - 48) - 14.0, slices=160)
    at = Edge(shape=Circle(7.8, 4.8, 1.4), hole=True, depth_mm=1.0)
    one = follow_features(stack, [at])[0]
    cut = one.seen < 0.8
    assert cut.sum() > 3
    assert 100 < one.slices[-1] < 159
    assert one.ends[0] == "the stack ends"
    assert one.ends[1].startswith(f"slice {one.slices[-1] + 1}: ")
    assert one.tilt_deg == pytest.approx(np.degrees(np.arctan(lean)), abs=0.3)
    error = (one.value_mm / 0.1 - 28.0) / (one.u_mm / 0.1)
    assert np.median(np.abs(error[cut])) < 2
    assert one.value_mm[~cut].mean() / 0.1 == pytest.approx(28.0, abs=0.03)
    assert one.u_mm[cut][-1] > 1.5 * np.median(one.u_mm[~cut])


def test_an_eaten_rim_does_not_pull() -> None:
    """A fifth of the bore's rim eaten away by four voxels: the diameter stays, and the share of sound rim is told."""

    def eaten(x: Floats, y: Floats, z: float) -> Floats:
        bitten = np.where(np.abs(np.arctan2(y - 45.2, x - 51.3) - 0.9) < np.pi / 5, 4.0, 0.0)
        return np.minimum(ring()(x, y, z), np.hypot(x - 51.3, y - 45.2) - 16.0 - bitten)

    one = follow_features(stack_of(eaten), edges()[:1])[0]
    assert one.value_mm.mean() / 0.1 == pytest.approx(32.0, abs=0.05)
    assert one.share.mean() < 0.93


def test_slices_without_data_are_told() -> None:
    """One slice blotted out: it is named, the rest goes on, and no number is NaN."""

    def blot(volume: Floats) -> None:
        volume[15] = 0.0

    for one in follow_features(stack_of(ring(), change=blot), edges()):
        assert list(one.failed) == [15] and one.failed[15]
        assert len(one.slices) == 23 and 15 not in one.slices
        assert all(np.isfinite(v).all() for v in (one.value_mm, one.u_mm, one.x_mm, one.u_x_mm, one.share))


def test_flats() -> None:
    """A square hole and a hexagonal outside turned by some degrees: distance across flats and turn."""
    c, s = np.cos(np.radians(20.0)), np.sin(np.radians(20.0))

    def part(x: Floats, y: Floats, z: float) -> Floats:
        u, v = (x - 47.6) * c + (y - 48.1) * s, (y - 48.1) * c - (x - 47.6) * s
        angles = np.radians(8.0 + 60.0 * np.arange(6))
        six = np.min([34.0 - (x - 47.6) * np.cos(a) - (y - 48.1) * np.sin(a) for a in angles], axis=0)
        return np.minimum(six, np.maximum(np.abs(u), np.abs(v)) - 13.0)

    stack = stack_of(part, slices=10)
    square, six = follow_features(
        stack,
        [
            Edge(shape=Rectangle(4.8, 4.75, 2.5, 2.7, 22.0), hole=True, depth_mm=0.5, square=True),
            Edge(shape=RegularPolygon(4.7, 4.8, 6, 3.45, 7.0), hole=False, depth_mm=0.5),
        ],
    )
    assert square.value_mm.mean() / 0.1 == pytest.approx(26.0, abs=0.02)
    assert six.value_mm.mean() / 0.1 == pytest.approx(68.0, abs=0.02)
    assert square.turn_deg is not None and square.turn_deg.mean() == pytest.approx(20.0, abs=0.1)
    assert six.turn_deg is not None and six.turn_deg.mean() == pytest.approx(8.0, abs=0.1)


def test_features_of_a_record() -> None:
    """Diameters of single slices agree with the record's, which come from all slices at once by the main fit."""
    stack = stack_of(ring(), slices=16)
    part = measure_stack(stack).part
    for one in follow_features(stack, part.of_kind("round_hole", "round_outside"), part=part):
        whole = part.feature(one.name).diameter_mm
        assert whole is not None
        assert whole.u is not None
        apart = one.value_mm.mean() - whole.value
        assert abs(apart) < 3 * np.hypot(whole.u, one.u_mm.mean() / np.sqrt(len(one.slices)))


def test_what_cannot_be_followed_is_refused() -> None:
    """No scale, another stack, nothing there, a start outside the slices asked for: one sentence each."""
    stack = stack_of(ring(), slices=6, noise=0.02)
    at = [replace(e, depth_mm=0.3) for e in edges()]
    with pytest.raises(NoScaleError, match="no voxel size"):
        follow_features(SliceStack.from_array(stack.plane(0)), at)
    with pytest.raises(InputError, match="shows no edge in slice 3"):
        follow_features(stack, [Edge(shape=Circle(1.2, 1.2, 0.4), hole=True, depth_mm=0.3)])
    with pytest.raises(InputError, match="begins in slice 3"):
        follow_features(stack, at, slices=(4, 5))
    with pytest.raises(InputError, match="has slices 0 to 5"):
        follow_features(stack, at, slices=(4, 9))
