"""Pictures of seams show what is there: dark where the gap is, nothing where it is closed, no claim outside the metal."""

from functools import cache

import numpy as np
import pytest
from scipy.special import ndtr

from ctrecon.core.fit_result import FitFailed
from ctrecon.core.measured import Measured
from ctrecon.features.build import MeasuredFeature, SeamStrength
from ctrecon.features.candidates import Candidate, Span
from ctrecon.features.size import FittedCandidate
from ctrecon.fitting.choose import Choice
from ctrecon.grey.levels import find_levels
from ctrecon.grey.square_up import SquaredStack, square_up
from ctrecon.grey.survey import survey_stack
from ctrecon.record.part import Feature
from ctrecon.record.pictures import FaceSeamPicture, SeamPicture
from ctrecon.seams.cutouts import make_seam_pictures
from ctrecon.shapes import Circle, Rectangle
from ctrecon.slices import SliceStack

BLUR, X, Y = 0.9, 40.2, 39.7
START, END, LAST = 5.0, 17.0, 23.0
THICK = 0.12


@cache
def squared(line: str) -> SquaredStack:
    """A bar of 64 px from plane 5 on, with a thin line in it down to plane 17, drawn from closed forms; 1 px is 0.1 mm.

    "round" is closed on its right half, "square" is 30 px across the flats and whole, "flat" lies at plane 14.
    """
    z, y, x = np.meshgrid(np.arange(30.0), np.arange(80.0), np.arange(80.0), indexing="ij")
    dx, dy = x - X, y - Y
    away = np.hypot(dx, dy)
    metal = ndtr((32 - away) / BLUR) * (ndtr((z - START) / BLUR) - ndtr((z - LAST) / BLUR))
    off = {"round": away - 18, "square": np.maximum(abs(dx), abs(dy)) - 15, "flat": z - 14.0}[line]
    dip = THICK * np.exp(-((off / BLUR) ** 2) / 2) / (BLUR * np.sqrt(2 * np.pi))
    if line != "flat":
        dip *= ndtr((END - z) / BLUR)
    if line == "round":
        dip = np.where(dx > 0, 0.0, dip)
    noise = np.random.default_rng(5).normal(0, 0.02, z.shape)
    grey = (10000 + 20000 * (metal * (1 - dip) + noise)).astype(np.float32)
    stack = SliceStack.from_array(grey, voxel_mm=(0.1, 0.1, 0.1), source=f"bar with a {line} seam")
    levels = find_levels(stack)
    assert levels is not None
    return square_up(survey_stack(stack, levels), None)


def draft(line: str, *, z: float = 20.0, ident: str = "F3") -> MeasuredFeature:
    """The seam of that bar as the search would hand it on, its true outline in px of the square grid."""
    grid = squared(line)
    x, y = X - grid.origin_mm[0] / 0.1, Y - grid.origin_mm[1] / 0.1
    shape = {"round": Circle(x, y, 18.0), "square": Rectangle(x, y, 30.0, 30.0, 0.0), "flat": None}[line]
    points = Circle(x, y, 32.0).outline() if shape is None else shape.outline()
    first, last = (14.0, 14.0) if line == "flat" else (START, END)
    shift = grid.origin_mm[2] / 0.1
    empty = np.zeros((1, 1))
    choice = Choice("seam", shape, np.ones(len(points), dtype=bool), 1.0)
    span = Span(0, 0, (0, 0), empty.astype(np.int8), empty, points, choice)
    candidate = Candidate("seam", False, shape, 0.0, (span,), True)
    feature = Feature(
        id=ident, kind="face_seam" if line == "flat" else f"{line}_seam",
        depth_from_mm=Measured(first / 10, 0.01), depth_to_mm=Measured(last / 10, 0.01),
    )  # fmt: skip
    depths = (first - shift, last - shift)
    strength = SeamStrength(z, 0.001, 1.0, ())
    return MeasuredFeature(feature, FittedCandidate(candidate, FitFailed("drawn"), sum(depths) / 2, False), depths, strength)


def side(line: str) -> SeamPicture:
    (one,) = make_seam_pictures(squared(line), [draft(line)])
    assert isinstance(one, SeamPicture)
    return one


def expected() -> float:
    """The dip (a Gaussian of area THICK) averaged over 0.7 px to both sides of the line."""
    at = np.array([-0.7, -0.35, 0.0, 0.35, 0.7])
    return -float(np.mean(THICK * np.exp(-((at / BLUR) ** 2) / 2) / (BLUR * np.sqrt(2 * np.pi))))


def test_dark_where_it_is_open_and_nothing_where_it_is_closed() -> None:
    """The open half of the round seam is as dark as drawn, its closed half is like the metal beside it."""
    one = side("round")
    rows = (one.depth_slices > START + 3) & (one.depth_slices < END - 3)
    inner = one.contrast[rows]
    open_half = (one.angle_deg > 100) & (one.angle_deg < 260)
    shut_half = (one.angle_deg < 80) | (one.angle_deg > 280)
    assert float(np.nanmean(inner[:, open_half])) == pytest.approx(expected(), rel=0.12)
    assert abs(float(np.nanmean(inner[:, shut_half]))) < 0.0015


def test_it_begins_and_ends_where_it_was_drawn() -> None:
    """Below its end the line is gone; above its start there is air, of which nothing is said."""
    one = side("round")
    open_half = (one.angle_deg > 100) & (one.angle_deg < 260)
    profile = np.nan_to_num(one.contrast[:, open_half]).mean(axis=1)
    sound = np.isfinite(one.contrast[:, open_half]).all(axis=1)
    assert not np.isfinite(one.contrast[one.depth_slices < START - 2]).any()
    assert abs(float(profile[sound & (one.depth_slices > END + 2)].mean())) < 0.003
    half = profile < expected() / 2
    assert one.depth_slices[half & sound].max() == pytest.approx(END, abs=1.0)


def test_square_has_four_corners_and_a_length() -> None:
    """The path round a square is four flats long, with a corner at the end of each; a circle has none."""
    one = side("square")
    step = one.along_px[1] - one.along_px[0]
    assert len(one.along_px) * step == pytest.approx(120.0, rel=1e-6)
    corners = np.sort(one.corners_px)
    gaps = np.diff(np.r_[corners, corners[0] + 120.0])
    assert gaps == pytest.approx([30.0] * 4, abs=1.1)
    assert side("round").corners_px == ()


def test_mean_section_keeps_the_line_and_loses_the_rest() -> None:
    """The line stands in the mean section as dark as drawn; metal away from it is level, air is left out."""
    one = side("square")
    columns, rows = np.rint(one.outline_px).astype(int).T
    on = one.section[rows, columns]
    deepest = -THICK / (BLUR * np.sqrt(2 * np.pi))
    assert 1.1 * deepest < float(np.median(on)) < 0.6 * deepest
    y, x = np.mgrid[: one.section.shape[0], : one.section.shape[1]]
    centre = one.outline_px[:-1].mean(axis=0)
    away = np.maximum(abs(x - centre[0]), abs(y - centre[1]))
    inside = one.section[away < 9]
    assert np.isfinite(inside).all()
    assert abs(float(inside.mean())) < 0.2 * abs(deepest)
    assert np.isnan(one.section[np.hypot(x - centre[0], y - centre[1]) > 32]).all()


def test_flat_seam_dips_at_its_depth() -> None:
    """Over the area of a flat seam the mean grey is least at its own depth, by what was drawn."""
    (one,) = make_seam_pictures(squared("flat"), [draft("flat")])
    assert isinstance(one, FaceSeamPicture)
    deepest = int(np.nanargmin(one.profile))
    assert one.depth_slices[deepest] == pytest.approx(14.0, abs=0.6)
    assert one.profile[deepest] == pytest.approx(-THICK / (BLUR * np.sqrt(2 * np.pi)), rel=0.1)
    assert abs(float(np.nanmedian(one.profile))) < 0.002
    assert float(np.nanmean(one.contrast)) < 0.6 * float(one.profile[deepest])


def test_at_most_six_and_only_seams() -> None:
    """Features that are not seams give no picture, and of many seams the surest six are shown in their order."""
    many = [draft("round", z=float(k), ident=f"F{k}") for k in range(1, 9)]
    shown = make_seam_pictures(squared("round"), many)
    assert [one.feature for one in shown] == ["F3", "F4", "F5", "F6", "F7", "F8"]
    plain = [MeasuredFeature(d.feature, d.sized, d.depths) for d in many]
    assert make_seam_pictures(squared("round"), plain) == ()
