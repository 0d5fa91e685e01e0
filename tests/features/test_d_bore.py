"""A bore with one flat, rendered here from an indicator on a fine grid, measured and followed to every output."""

from pathlib import Path

import numpy as np
import pytest
import shapely
from scipy import ndimage

from ctrecon.core.measured import Measured
from ctrecon.drawing.outlines import layer_contours
from ctrecon.fitting.choose import choose_shape
from ctrecon.fitting.d_bore import DModel
from ctrecon.fitting.solve import Samples
from ctrecon.measuring import measure_stack
from ctrecon.record.kinds import kind_of
from ctrecon.record.part import Feature, Part
from ctrecon.record.store import read_part, write_part
from ctrecon.shapes import DShape
from ctrecon.slices import SliceStack
from ctrecon.solid.plan import solid_record
from ctrecon.solid.volume import record_volume

MM, FINE = 0.05, 5
OUTSIDE, RADIUS, ACROSS, TURN = 30.0, 12.0, 19.0, 37.0
PLACE, LEAN = (42.3, 40.8), (0.02, -0.01)


def collar(
    seed: int, *, across: float = ACROSS, radius: float = RADIUS, turn: float = TURN, snr: float = 20.0
) -> SliceStack:
    """Return grey slices of a ring with a bore cut off by a flat; truth and rendering share nothing with the package.

    Metal where 5 x 5 points a voxel say so, Gaussian blur of 0.8 voxels, white noise; air before and after.
    """
    count, size = 30, 84
    fine = (np.arange(size * FINE) + 0.5) / FINE - 0.5
    yy, xx = np.meshgrid(fine, fine, indexing="ij")
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    volume = np.zeros((count, size, size))
    for z in range(5, 25):
        dx, dy = xx - PLACE[0] - LEAN[0] * (z - 14.5), yy - PLACE[1] - LEAN[1] * (z - 14.5)
        bore = (np.hypot(dx, dy) < radius) & (dx * c + dy * s < across - radius)
        metal = (np.hypot(dx, dy) < OUTSIDE) & ~bore
        volume[z] = metal.reshape(size, FINE, size, FINE).mean(axis=(1, 3))
    volume = ndimage.gaussian_filter(volume, 0.8)
    volume += np.random.default_rng(seed).normal(0, 1 / snr, volume.shape)
    return SliceStack.from_array((500 + 3000 * volume).astype(np.float32), voxel_mm=MM, towards_viewer=False)


def value(measured: Measured | None) -> float:
    assert measured is not None
    return float(measured.value)


@pytest.fixture(scope="module")
def part() -> Part:
    return measure_stack(collar(41), name="collar").part


@pytest.fixture(scope="module")
def bore(part: Part) -> Feature:
    (found,) = [f for f in part.features if kind_of(f).is_hole]
    return found


def test_it_is_found_as_what_it_is(part: Part) -> None:
    """One outside and one D-shaped hole, nothing else."""
    assert sorted(f.kind for f in part.features) == ["d_hole", "round_outside"]


def test_sizes_agree_with_the_truth(bore: Feature) -> None:
    """Diameter, width across the flat and turn lie within four of their u, which are small."""
    lean = np.hypot(1.0, np.hypot(*LEAN))
    for measured, truth, slack in (
        (bore.diameter_mm, 2 * RADIUS * MM, 0.03 * MM), (bore.flats_mm, ACROSS * MM, 0.03 * MM),
        (bore.turn_deg, TURN, 0.3),
    ):  # fmt: skip
        assert measured is not None
        assert measured.u is not None
        assert 0 < measured.u < slack
        assert abs(measured.value - truth) < 4 * measured.u + truth * (lean - 1)


def test_u_covers_what_other_noise_does(times: int) -> None:
    """Over four stacks of other turns, sizes and noise, errors lie within four u and 0.06 px, seldom beyond two u."""
    misses = []
    rng = np.random.default_rng(77)
    for seed in range(4 * times):
        radius, turn = float(rng.uniform(8, 16)), float(rng.uniform(0, 360))
        across = radius * float(rng.uniform(1.3, 1.75))
        found = measure_stack(collar(seed, across=across, radius=radius, turn=turn, snr=12.0)).part
        (one,) = [f for f in found.features if kind_of(f).is_hole]
        assert one.kind == "d_hole"
        for measured, truth in ((one.diameter_mm, 2 * radius * MM), (one.flats_mm, across * MM)):
            assert measured is not None
            assert measured.u is not None
            assert abs(measured.value - truth) < 0.06 * MM
            misses.append(abs(measured.value - truth) / measured.u)
        assert one.turn_deg is not None
        assert one.turn_deg.u is not None
        misses.append(abs((one.turn_deg.value - turn + 180) % 360 - 180) / one.turn_deg.u)
    assert max(misses) < 4
    assert np.mean(np.array(misses) < 2) >= 0.75


def test_a_round_bore_stays_round() -> None:
    """Without a flat it is a round hole."""
    found = measure_stack(collar(42, across=2.1 * RADIUS)).part
    assert sorted(f.kind for f in found.features) == ["round_hole", "round_outside"]


@pytest.mark.parametrize(("bump", "kind"), [(0.0, "round"), (0.28, "round"), (0.9, "d")])
def test_what_sticks_to_a_rim_is_no_flat(bump: float, kind: str) -> None:
    """A round bump of product in a bore is not taken for a flat; a true flat is."""
    circle = shapely.Point(30, 30).buffer(14, quad_segs=60)
    lump = shapely.Point(30 + 14, 30).buffer(14 * bump, quad_segs=60) if bump < 0.5 else shapely.box(39, 0, 60, 60)
    ring = circle.difference(lump).exterior
    points = np.array([ring.interpolate(t).coords[0] for t in np.arange(0, ring.length, 0.5)])
    points += np.random.default_rng(3).normal(0, 0.05, points.shape)
    assert choose_shape(points, hole=True).kind == kind


def test_area_is_that_of_the_circular_segment_left() -> None:
    """Outline and vertices enclose r² (pi - a + sin a cos a), cos a = flat / r (closed form, from memory)."""
    shape = DShape(3.0, 4.0, 6.0, 9.0, 25.0)
    a = np.arccos(shape.flat / shape.radius)
    area = shape.radius**2 * (np.pi - a + np.sin(a) * np.cos(a))
    assert shapely.Polygon(shape.outline(4000)).area == pytest.approx(area, rel=1e-5)
    rng = np.random.default_rng(1)
    points = rng.uniform(-6, 14, (500, 2))
    polygon = shapely.Polygon(shape.outline(4000))
    want = shapely.distance(polygon.exterior, shapely.points(points))
    want = np.where(shapely.contains_xy(polygon, *points.T), want, -want)
    assert shape.signed_distance(points) == pytest.approx(want, abs=2e-3)


def test_slopes_of_the_model_agree_with_differences() -> None:
    """Each column of the derivative agrees with central differences of the distance."""
    rng = np.random.default_rng(5)
    x, y, z = rng.uniform(-12, 12, (3, 300))
    samples = Samples(x, y, z / 2, np.zeros(300), np.arange(300))
    p = np.array([0.3, -0.2, 8.0, 12.5, 0.7, 0.01, -0.02])
    _, jac = DModel(True).distance(p, samples, 0.0)
    for k in range(len(p)):
        step = np.zeros(len(p))
        step[k] = 1e-6
        up, down = (DModel(True).distance(p + sign * step, samples, 0.0)[0] for sign in (1, -1))
        assert np.median(np.abs((up - down) / 2e-6 - jac[:, k])) < 1e-6


def test_it_reaches_record_outlines_and_solid(part: Part, bore: Feature, tmp_path: Path) -> None:
    """The record keeps it; its contour and its volume are those of the measured sizes."""
    write_part(part, tmp_path / "part.json")
    again = read_part(tmp_path / "part.json").feature(bore.id)
    assert again.kind == "d_hole"
    assert value(again.flats_mm) == pytest.approx(value(bore.flats_mm), abs=1e-5)
    r, across = value(bore.diameter_mm) / 2, value(bore.flats_mm)
    a = np.arccos((across - r) / r)
    hole = r**2 * (np.pi - a + np.sin(a) * np.cos(a))
    layers = [(name, contour) for name, contour in layer_contours(part) if name.startswith("TO_MAKE_HOLES_D")]
    assert layers
    assert all(contour.area() == pytest.approx(hole, rel=1e-6) for _, contour in layers)
    (outside,) = [f for f in part.features if not kind_of(f).is_hole]
    whole = np.pi * (value(outside.diameter_mm) / 2) ** 2
    (body,) = solid_record(part).bodies
    assert record_volume(body) == pytest.approx((whole - hole) * value(outside.length_mm), rel=0.01)
    assert bore.sensitivity["flats_mm"].edge == bore.sensitivity["diameter_mm"].edge == -2.0
