"""The fit of a toothed rim against polygons of known truth, drawn by shapely and blurred by scipy."""

import numpy as np
import pytest
import shapely
from scipy import ndimage

from ctrecon.core.frames import Floats
from ctrecon.fitting.flank_form import flank_form
from ctrecon.fitting.wheel_fit import RimPoints, WheelFit, fit_wheel
from ctrecon.fitting.wheel_image import MeanTooth, image_of
from ctrecon.fitting.wheel_start import find_teeth, gap_floor, rim_wave, shows_teeth, tip_circle
from ctrecon.outlines.trace import even_points, trace

SIZE, FINE = 132, 5
NOISE = 0.01


def tooth_polygon(angle: float, root: float, tip: float, at_root: float, at_tip: float) -> shapely.Polygon:
    """A straight-sided tooth from well within the root circle, its middle line at an angle about (0, 0)."""
    slope = (at_tip - at_root) / (tip - root)
    rows = [(root - 3.0, at_root - 3 * slope), (tip + 1.0, at_tip + slope)]
    corners = np.array([(h, -w / 2) for h, w in rows] + [(h, w / 2) for h, w in rows[::-1]])
    c, s = np.cos(angle), np.sin(angle)
    return shapely.Polygon(corners @ np.array([[c, s], [-s, c]])).intersection(shapely.Point(0, 0).buffer(tip, 720))


def wheel_polygon(angles: Floats, root: float, tip: float, at_root: float, at_tip: float) -> shapely.Geometry:
    """A disc with teeth at any angles."""
    teeth = [tooth_polygon(float(a), root, tip, at_root, at_tip) for a in angles]
    return shapely.union_all([shapely.Point(0, 0).buffer(root, 720), *teeth])


def drawn(
    area: shapely.Geometry, x: float, y: float, blur: float, rng: np.random.Generator, noise: float = NOISE
) -> Floats:
    """The mean plane of an area moved to (x, y): shares of each pixel, blurred, with noise."""
    at = (np.arange(SIZE * FINE) + 0.5) / FINE - 0.5
    column, row = np.meshgrid(at - x, at - y)
    inside = shapely.contains_xy(area, column.ravel(), row.ravel()).reshape(column.shape).astype(float)
    inside = ndimage.gaussian_filter(inside, blur * FINE)
    share = inside.reshape(SIZE, FINE, SIZE, FINE).mean(axis=(1, 3))
    return np.asarray(share + noise * rng.standard_normal(share.shape))


def fitted(plane: Floats, *, pitch: float, knots: int = 5, noise: float = NOISE) -> WheelFit:
    """The fit of a plane, started as the measuring starts it."""
    outline = max((one for one in trace(plane, smooth_px=0.0) if not one.hole), key=lambda one: one.area_px2)
    circle = tip_circle(even_points(outline.points))
    assert circle is not None
    wave = rim_wave(plane, *circle)
    assert wave is not None and wave.clear > 7
    angles = find_teeth(wave)
    floor = gap_floor(plane, wave, angles)
    root = circle[2] - 0.45 * pitch if floor is None else floor
    row, column = np.indices(plane.shape).astype(float)
    near = np.hypot(column - circle[0], row - circle[1]) > root - 9
    points = RimPoints(column[near], row[near], plane[near], np.ones(int(near.sum())))
    start = MeanTooth(root, circle[2] + 0.3, np.linspace(0.3, 0.15, knots) * pitch, 1.0)
    found = fit_wheel(points, start, circle[:2], angles, noise=noise, blur=1.0)
    assert isinstance(found, WheelFit)
    return found


def test_one_tooth_holds_the_metal_of_its_polygon() -> None:
    """The blurred image of a tooth sums to the area shapely gives for it outside the root circle."""
    tooth = MeanTooth(40.0, 48.0, np.linspace(4.0, 1.5, 6), 0.9)
    image = image_of(tooth, 6.0)
    step = (image.aside[1] - image.aside[0]) * (image.height[1] - image.height[0])
    weight = np.ones_like(image.share)
    weight[0] = 0.5  # the middle line is shared by both halves
    plain = [(float(np.sqrt(r**2 - w**2)), w) for r, w in zip(tooth.radii, tooth.half, strict=True)]
    polygon = shapely.Polygon([(h, -w) for h, w in plain] + [(50, -1.5), (50, 1.5)] + [(h, w) for h, w in plain[::-1]])
    ring = shapely.Point(0, 0).buffer(48.0, 2000).difference(shapely.Point(0, 0).buffer(40.0, 2000))
    # flanks run straight in height and aside: between knots the polygon's chords and the tooth's differ by 0.01 px²
    assert 2 * float((weight * image.share).sum()) * step == pytest.approx(polygon.intersection(ring).area, rel=3e-3)


@pytest.mark.parametrize(("count", "tip", "deep"), [(6, 40.0, 14.0), (24, 55.0, 7.0), (70, 58.0, 3.2)])
def test_a_whole_rim(count: int, tip: float, deep: float) -> None:
    """From a pinion of six leaves to teeth of five px, divided by hand: centre, circles and every angle are found."""
    rng = np.random.default_rng(count)
    pitch = 2 * np.pi * tip / count
    angles = 0.3 + 2 * np.pi * (np.arange(count) + 0.02 * rng.standard_normal(count)) / count
    root = tip - deep
    wide = 2 * np.pi * root / count
    area = wheel_polygon(angles, root, tip, min(0.6 * wide, 14.0), min(0.3 * wide, 8.0))
    found = fitted(drawn(area, 66.3, 65.8, 0.9, rng), pitch=pitch)
    assert np.hypot(found.x - 66.3, found.y - 65.8) < 0.02
    assert found.tooth.tip == pytest.approx(tip, abs=max(0.02, 4 * found.u("tip")))
    assert found.tooth.root == pytest.approx(root, abs=max(0.02, 4 * found.u("root")))
    assert len(found.angles) == count and (found.left > 0.8).all() and np.abs(found.lost).max() < 0.5
    off = (np.sort(found.angles % (2 * np.pi)) - np.sort(angles % (2 * np.pi))) * tip
    assert np.sqrt(np.mean(off**2)) < 0.04
    assert 0.4 < np.sqrt(np.mean((off / tip / found.u_angles) ** 2)) < 1.6


def test_spokes_are_not_counted_as_teeth() -> None:
    """Six windows under a rim of 44 teeth move far more metal than the teeth do; the rim has 44 all the same."""
    count, tip, root = 44, 60.0, 53.5
    wide = 2 * np.pi * root / count
    area = wheel_polygon(0.2 + 2 * np.pi * np.arange(count) / count, root, tip, 0.6 * wide, 0.25 * wide)
    for k in range(6):
        turn = np.linspace(np.pi / 3 * k + 0.12, np.pi / 3 * (k + 1) - 0.12, 40)
        rim = np.column_stack([np.cos(turn), np.sin(turn)])
        area = area.difference(shapely.Polygon(np.concatenate([47.0 * rim, 18.0 * rim[::-1]])))
    plane = drawn(area, 66.2, 65.7, 1.0, np.random.default_rng(77), 0.03)
    outline = max((one for one in trace(plane, smooth_px=0.0) if not one.hole), key=lambda one: one.area_px2)
    points = even_points(outline.points)
    circle = tip_circle(points)
    assert circle is not None
    wave = rim_wave(plane, *circle)
    assert wave is not None
    assert (wave.number, len(find_teeth(wave))) == (count, count)
    assert shows_teeth(plane, points)


def test_roots_of_gaps_narrower_than_the_blur_are_not_lost(times: int) -> None:
    """Gaps of 0.6 px at their floor under a blur of 1.15: no root runs down a closed slit, and u says what is left."""
    count, tip, root = 65, 52.4, 50.0
    wide = 2 * np.pi * root / count
    angles = 0.3 + 2 * np.pi * np.arange(count) / count
    area = wheel_polygon(angles, root, tip, 0.88 * wide, 0.3 * wide)
    off = []
    for seed in range(100, 100 + 5 * times):
        plane = drawn(area, 66.3, 65.8, 1.15, np.random.default_rng(seed), 0.05)
        found = fitted(plane, pitch=wide, knots=4, noise=0.05)
        assert found.tooth.root == pytest.approx(root, abs=1.0)
        off.append((found.tooth.root - root) / found.u("root"))
    assert 0.3 < np.sqrt(np.mean(np.square(off))) < 1.7


def test_missing_worn_and_uneven_teeth_do_not_pull_the_rest() -> None:
    """With a third of the rim gone, a tooth missing and two worn short, the circles and the other angles stay."""
    rng = np.random.default_rng(3)
    angles = np.array([k * 2 * np.pi / 30 for k in range(20) if k != 7]) + 0.1
    whole = wheel_polygon(angles, 48.0, 55.0, 6.0, 3.0)
    away = np.linspace(4.3, 6.3, 40)
    lost = shapely.Polygon([(0, 0), *zip(90 * np.cos(away), 90 * np.sin(away), strict=True)])
    short = shapely.union_all([shapely.Point(55 * np.cos(a), 55 * np.sin(a)).buffer(3.0) for a in angles[[3, 12]]])
    plane = drawn(whole.difference(lost).union(shapely.Point(0, 0).buffer(20)).difference(short), 66.0, 66.4, 1.0, rng)
    found = fitted(plane, pitch=11.5)
    there = np.flatnonzero(found.left > 0.5)
    assert np.hypot(found.x - 66.0, found.y - 66.4) < 0.05
    assert found.tooth.tip == pytest.approx(55.0, abs=0.03) and found.tooth.root == pytest.approx(48.0, abs=0.04)
    nearest = [float(np.min(np.abs((found.angles[there] - a + np.pi) % (2 * np.pi) - np.pi))) for a in angles]
    assert len(there) in (19, 20) and np.median(nearest) * 55 < 0.02
    assert (found.lost[there] > 0.5).sum() >= 2


@pytest.mark.parametrize("sides", [3, 4])
def test_polygons_and_crosses_have_no_teeth(sides: int) -> None:
    """Plates with few corners and a cross show no rim of teeth, nor does a round one with two bites."""
    rng = np.random.default_rng(sides)
    corner = 2 * np.pi * np.arange(sides) / sides + 0.2
    plate = shapely.Polygon(50 * np.column_stack([np.cos(corner), np.sin(corner)]))
    bar = shapely.box(-52, -13, 52, 13)
    cross = bar.union(shapely.affinity.rotate(bar, 90))
    bitten = shapely.Point(0, 0).buffer(50, 256).difference(shapely.Point(48, 10).buffer(9).union(shapely.Point(-20, 47).buffer(6)))
    for area in (plate, cross, bitten):
        plane = drawn(area, 66.0, 65.5, 1.0, rng)
        outline = max((one for one in trace(plane, smooth_px=0.0) if not one.hole), key=lambda one: one.area_px2)
        assert not shows_teeth(plane, even_points(outline.points))


def _involute(radii: Floats, base: float, half_turn: float) -> Floats:
    """Half widths of an involute tooth; inv a = tan a - a, from memory."""
    pressure = np.arccos(np.minimum(base / radii, 1.0))
    return radii * np.sin(half_turn - (np.tan(pressure) - pressure))


def _line(radii: Floats, wide: float, at: float, slope: float) -> Floats:
    """Half widths where circles cross a straight flank, `wide` at height `at`: the root of the quadratic equation."""
    level = wide - slope * at
    height = (np.sqrt(radii**2 * (1 + slope**2) - level**2) - level * slope) / (1 + slope**2)
    return np.asarray(level + slope * height)


def _cap(radii: Floats, middle: float, radius: float) -> Floats:
    """Half widths where circles cross a round tip whose middle is at a height: Heron's triangle of three sides."""
    half = (radii + middle + radius) / 2
    area = np.sqrt(np.maximum(half * (half - radii) * (half - middle) * (half - radius), 0.0))
    return np.asarray(np.where(radii**2 > middle**2 + radius**2, 2 * area / middle, np.inf))


R = np.linspace(45.0, 56.0, 8)
FORMS = {
    "straight": _line(R, 8.0, 45.0, -0.45),
    "involute": _involute(R, 44.0, 0.17),
    "cycloidal": np.where(R < 49, R, 49) * np.sin(0.15) - 9 + np.sqrt(81 - np.clip(R - 49, 0, 9) ** 2),
    "rounded": np.minimum(_line(R, 7.0, 45.0, -0.2), _cap(R, 50.8, 5.2)),
}


@pytest.mark.parametrize("name", FORMS)
def test_form_of_the_flank(name: str) -> None:
    """A tooth drawn by each form is called by it, or by none where another fits as well; never by a wrong one."""
    noise = 0.01 * np.random.default_rng(5).standard_normal(len(R))
    form, says = flank_form(MeanTooth(45.0, 56.0, FORMS[name] + noise, 1.0), np.eye(len(R)) * 1e-4, 17.6)
    assert form in (name, "free") and "%" in says
    if name in ("straight", "cycloidal"):
        assert form == name


def test_a_wavy_flank_has_no_form() -> None:
    """What none of the forms fits stays as measured, and says so."""
    half = FORMS["straight"] + 0.6 * np.sin(1.3 * R)
    form, says = flank_form(MeanTooth(45.0, 56.0, half, 1.0), np.eye(len(R)) * 1e-4, 17.6)
    assert form == "free" and "none of the usual forms" in says
