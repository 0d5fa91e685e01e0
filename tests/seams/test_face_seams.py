"""Flat seams between stacked pieces: found where plates touch, measured, and not claimed in solid metal.

All stacks here are drawn by this file from closed forms (a blurred edge is the error function), so nothing the
measuring code does goes into the truth.
"""

import re
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pytest
from scipy import ndimage
from scipy.special import ndtr

from ctrecon.core.fit_result import FitFailed
from ctrecon.core.measured import Measured
from ctrecon.features.build import MeasuredFeature
from ctrecon.features.candidates import Candidate, Span
from ctrecon.features.size import FittedCandidate
from ctrecon.fitting.choose import Choice
from ctrecon.grey.artefacts import find_artefacts
from ctrecon.grey.levels import find_levels
from ctrecon.grey.square_up import SquaredStack, axis_from_normals, square_up
from ctrecon.grey.survey import survey_stack
from ctrecon.measuring import measure_stack
from ctrecon.record.part import Feature, Part
from ctrecon.seams.face_fit import Profile
from ctrecon.seams.face_judge import spread_of
from ctrecon.seams.face_profile import DipFilter, template, tiles_of
from ctrecon.seams.face_seams import LayerMetal, find_face_seams
from ctrecon.shapes import Circle
from ctrecon.slices import SliceStack

MM = 0.05
BLUR = 0.8
PLATES = ((-13.0, 0.3, 34.0), (0.3, 13.0, 34.0))
HUB = ((-13.0, -1.0, 36.0), (-1.0, 13.0, 26.0))


@dataclass(frozen=True, kw_only=True)
class Scene:
    """Discs stacked along an axis; lengths in px (1 px = 1 mm / 20), depths from the middle of the stack.

    `gaps` are (depth, thickness, inner radius that stays whole).
    """

    plates: tuple[tuple[float, float, float], ...] = PLATES
    gaps: tuple[tuple[float, float, float], ...] = ()
    step: float = 1.0
    tilt: float = 0.0
    snr: float = 20.0
    seed: int = 1
    tip: float = 0.0
    shut: float = 0.0
    flicker: float = 0.0
    drift: float = 0.0
    rings: float = 0.0
    shared: float = 0.0
    dark_slice: int | None = None

    def draw(self) -> np.ndarray:
        """Return the slices, air 0 and metal 1."""
        slices, size = round(36 / self.step), 84
        z, y, x = np.meshgrid(
            (np.arange(slices) - (slices - 1) / 2) * self.step,
            np.arange(size) - (size - 1) / 2 + 0.3, np.arange(size) - (size - 1) / 2 - 0.2, indexing="ij", sparse=True,
        )  # fmt: skip
        turn, lean = np.radians(35.0), np.radians(self.tilt)
        level, across = np.cos(turn) * x + np.sin(turn) * y, -np.sin(turn) * x + np.cos(turn) * y
        along = np.cos(lean) * level - np.sin(lean) * z
        depth = np.sin(lean) * level + np.cos(lean) * z
        off = np.hypot(along, across)
        # a voxel averages over itself: that widens the blur by a twelfth of its edge squared
        deep, wide = np.sqrt(BLUR**2 + self.step**2 / 12), np.sqrt(BLUR**2 + 1 / 12)
        metal = sum(
            (ndtr((depth - a) / deep) - ndtr((depth - b) / deep)) * ndtr((r - off) / wide) for a, b, r in self.plates
        )
        for at, thick, whole in self.gaps:
            reach = min(r for a, b, r in self.plates if a <= at <= b)
            away = depth - at - self.tip * along
            gap = (ndtr((away + thick / 2) / deep) - ndtr((away - thick / 2) / deep)) * ndtr((reach - off) / wide)
            gap = gap * ndtr((off - whole) / wide) if whole else gap
            metal = metal - gap * (np.arctan2(across, along) / (2 * np.pi) + 0.5 > self.shut)
        random = np.random.default_rng(self.seed)
        noise = random.standard_normal(metal.shape)
        if self.shared:
            noise = ndimage.gaussian_filter(noise, (0, self.shared, self.shared))
            noise /= noise.std()
        k = np.arange(slices)
        gain = 1 + self.flicker * random.standard_normal(slices)
        gain = gain + self.drift * np.sin(2 * np.pi * (k / slices * random.uniform(1, 2) + random.uniform()))
        if self.dark_slice is not None:
            gain[self.dark_slice] -= 0.03
        ring = ndimage.gaussian_filter1d(random.standard_normal(100), 1.0)
        ring = np.interp(np.hypot(x - 2.0, y + 3.0), np.arange(100), ring / ring.std())
        return np.asarray(metal * gain[:, None, None] + self.rings * ring + noise / self.snr, dtype=np.float32)

    def stack(self) -> SliceStack:
        """Return the slices as a stack."""
        voxel = (self.step * MM, MM, MM)
        grey = (self.draw() * 4000 + 900).astype(np.float32)
        return SliceStack.from_array(grey, voxel_mm=voxel, source="plates", towards_viewer=False)

    def depth_mm(self, at: float) -> float:
        """Return the stack depth (mm) of a place on the axis of the drawing, for the middle of the section."""
        slices = round(36 / self.step)
        return (float((slices - 1) / 2 * self.step) + at * float(np.cos(np.radians(self.tilt)))) * MM


def squared(scene: Scene) -> SquaredStack:
    stack = scene.stack()
    levels = find_levels(stack)
    assert levels is not None
    survey = survey_stack(stack, levels, artefacts=find_artefacts(stack, levels))
    return square_up(survey, axis_from_normals(survey.normals))


@cache
def found(scene: Scene) -> tuple[MeasuredFeature, ...]:
    """Search with no outline known at all."""
    return tuple(find_face_seams(squared(scene), [], []))


@cache
def measured(scene: Scene) -> Part:
    return measure_stack(scene.stack()).part


def faces(part: Part) -> list[Feature]:
    return [f for f in part.features if f.kind == "face_seam"]


def px(one: Measured | None) -> float:
    assert one is not None
    return one.value / MM


def u_px(one: Measured | None) -> float:
    assert one is not None
    assert one.u is not None
    return one.u / MM


@pytest.mark.parametrize(
    "scene",
    [
        Scene(gaps=((0.3, 0.3, 0.0),)),
        Scene(gaps=((0.3, 0.03, 0.0),), snr=38.0),
        Scene(gaps=((0.3, 0.1, 0.0),), tilt=4.0, snr=10.0),
        Scene(gaps=((0.3, 0.08, 0.0),), step=1.5, tilt=2.0),
        Scene(gaps=((0.3, 0.05, 0.0),), step=0.7),
        Scene(gaps=((0.3, 0.08, 0.0),), tilt=3.0, rings=0.005, drift=0.02),
    ],
    ids=["thick", "thin", "tilted noisy", "thick slices", "thin slices", "rings and drift"],
)
def test_sandwich(scene: Scene) -> None:
    """Two discs with a thin gap between: one flat seam, with its depth and thickness within four u."""
    (one,) = found(scene)
    f = one.feature
    assert f.kind == "face_seam"
    assert f.seam_mm is not None
    assert px(f.seam_mm) == pytest.approx(scene.gaps[0][1], abs=4 * u_px(f.seam_mm))
    assert u_px(f.seam_mm) < 0.15 * scene.gaps[0][1] + 0.01
    assert f.depth_from_mm is not None
    assert f.depth_from_mm == f.depth_to_mm
    # the axis of the drawing is not quite in the middle of the metal: the tilt makes that a few hundredths
    assert f.depth_from_mm.value == pytest.approx(scene.depth_mm(0.3), abs=4 * (f.depth_from_mm.u or 0) + 0.05 * MM)
    assert f.area_mm2 is not None
    assert f.area_mm2.value == pytest.approx(np.pi * (34 * MM) ** 2, rel=0.05)
    assert one.seam is not None
    assert one.seam.p_false <= 0.03
    assert one.seam.filled_share > 0.8


def test_tilt_is_a_witness() -> None:
    """A seam square to a tilted part is not a dark slice, so its certainty has no floor; a straight one says it may be."""
    (tilted,) = found(Scene(gaps=((0.3, 0.1, 0.0),), tilt=4.0, snr=10.0))
    (straight,) = found(Scene(gaps=((0.3, 0.3, 0.0),)))
    assert tilted.seam is not None
    assert tilted.seam.p_false < 1e-4
    assert straight.seam is not None
    assert straight.seam.p_false >= 0.004
    assert "seam_or_dark_slice" in straight.feature.flags


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize(
    "scene",
    [
        Scene(plates=((-13.0, 13.0, 34.0),)),
        Scene(plates=((-13.0, 13.0, 34.0),), drift=0.04, rings=0.02),
        Scene(plates=HUB, flicker=0.01),
        Scene(plates=HUB, flicker=0.01, tilt=3.0),
        Scene(plates=HUB, shared=1.2, tilt=1.0, rings=0.005),
    ],
    ids=["plain", "drift and rings", "flicker", "flicker tilted", "shared noise"],
)
def test_solid(scene: Scene, seed: int) -> None:
    """Solid metal has no flat seam, whatever the scanner adds to it."""
    assert found(Scene(**{**scene.__dict__, "seed": 100 + seed})) == ()


@pytest.mark.parametrize("tilt", [0.0, 1.9, 3.0])
def test_dark_slice(tilt: float) -> None:
    """One slice that came out 3 % dark is not a seam, straight or tilted."""
    assert found(Scene(plates=((-13.0, 13.0, 34.0),), dark_slice=18, tilt=tilt)) == ()


def test_half_shut() -> None:
    """Where half of the area is in metal contact the mean gap is half, and the share says so."""
    (one,) = found(Scene(gaps=((0.3, 0.2, 0.0),), tilt=4.0, shut=0.5))
    assert one.seam is not None
    assert one.seam.filled_share == pytest.approx(0.5, abs=0.15)
    assert px(one.feature.seam_mm) == pytest.approx(0.1, abs=0.02)
    assert max(one.seam.sides) > 5 * max(min(one.seam.sides), 1.0)


def test_bright_seam() -> None:
    """A gap filled with heavier metal is bright: a negative thickness and its flag."""
    (one,) = found(Scene(gaps=((0.3, -0.1, 0.0),), tilt=4.0))
    assert px(one.feature.seam_mm) == pytest.approx(-0.1, abs=0.02)
    assert "seam_bright" in one.feature.flags


def test_leaning_seam() -> None:
    """A plane that leans by more than a slice over the section is followed."""
    (one,) = found(Scene(gaps=((0.3, 0.15, 0.0),), tip=1.0 / 34, snr=30.0))
    assert px(one.feature.seam_mm) == pytest.approx(0.15, abs=0.02)


def test_spacer_on_flange() -> None:
    """The whole measurement finds the gap under the upper disc of a hub, where its outside begins."""
    scene = Scene(plates=HUB, gaps=((-1.0, 0.12, 0.0),), tilt=1.0)
    part = measured(scene)
    (one,) = faces(part)
    assert px(one.seam_mm) == pytest.approx(0.12, abs=0.02)
    assert one.depth_from_mm is not None
    assert one.depth_from_mm.value == pytest.approx(scene.depth_mm(-1.0), abs=0.3 * MM)
    assert one.x_mm is not None
    assert px(one.x_mm) == pytest.approx(41.5, abs=1.0)
    assert one.slices_used is not None
    assert one.slices_used[0] <= one.depth_from_mm.value / MM <= one.slices_used[1]


@pytest.mark.parametrize("seed", [7101, 7102, 7103])
@pytest.mark.parametrize("hub", [Scene(plates=HUB, tilt=1.0), Scene(plates=HUB, snr=10.0, rings=0.01, step=1.4)])
def test_a_gap_thicker_than_the_stated_limit_shows(hub: Scene, seed: int) -> None:
    """The limit stated for the shoulder of a solid hub: with other noise a gap a quarter thicker is told there."""
    solid = measured(hub)
    (said,) = [e.says for piece in solid.pieces for e in piece.evidence if e.kind == "limit"]
    limit_mm, at = re.findall(r"thinner than about ([0-9.]+) mm at slice ([0-9]+)", said)[0]
    assert abs(int(at) * hub.step * MM - hub.depth_mm(-1.0)) <= hub.step * MM
    assert float(limit_mm) < 0.2 * MM
    part = measured(replace(hub, gaps=((-1.0, 1.25 * float(limit_mm) / MM, 0.0),), seed=seed))
    (one,) = faces(part)
    assert one.depth_from_mm is not None
    assert abs(one.depth_from_mm.value / MM / hub.step - int(at)) < 1


def test_where_one_gap_shows_another_may_be_too_thin() -> None:
    """A spacer known to be loose at one end may have a gap at its other: u of that end holds what would not show."""
    spool = Scene(plates=((-13.0, -4.0, 36.0), (-4.0, 5.0, 26.0), (5.0, 13.0, 36.0)), tilt=1.0)
    loose = replace(spool, gaps=((-4.0, 0.15, 0.0),))
    ends = []
    for scene in (spool, loose):
        part = measured(scene)
        (spacer,) = [f for f in part.features if f.diameter_mm and px(f.diameter_mm) == pytest.approx(52, abs=1)]
        ends.append(u_px(spacer.depth_to_mm))
    limits = [e.says for piece in measured(loose).pieces for e in piece.evidence if e.kind == "limit"]
    mm = float(re.findall(r"([0-9.]+) mm at slice", " ".join(limits))[0])
    assert ends[1] == pytest.approx(np.hypot(ends[0], mm / MM / np.sqrt(3)), rel=0.1)


def test_two_seams() -> None:
    """Three layers give two seams, in their order, each with its own thickness."""
    plates = ((-13.0, -4.0, 34.0), (-4.0, 5.0, 34.0), (5.0, 13.0, 34.0))
    drafts = found(Scene(plates=plates, gaps=((-4.0, 0.2, 0.0), (5.0, 0.1, 0.0)), tilt=3.0))
    drafts = tuple(sorted(drafts, key=lambda d: d.depths[0]))
    assert [round(px(d.feature.seam_mm), 1) for d in drafts] == [0.2, 0.1]
    assert drafts[1].depths[0] - drafts[0].depths[0] == pytest.approx(9.0, abs=0.3)


def test_template_takes_the_whole_gap() -> None:
    """All planes together lose exactly the gap; at a blur of 0.8 and a voxel's own averaging the middle loses 0.469 t.

    The figure is t / sqrt(2 pi (sigma^2 + 1/12)), the height of a Gaussian of area t.
    """
    offsets = np.arange(-8.0, 9.0)
    assert template(offsets, 0.9).sum() == pytest.approx(1.0, abs=1e-6)
    assert template(np.zeros(1), float(np.sqrt(0.8**2 + 1 / 12)))[0] == pytest.approx(0.469, abs=0.001)


def test_tiles_keep_clear_of_faces() -> None:
    """No plane nearer than two and a half blurs to a face counts, so that a face is never taken for a dip."""
    scene = Scene(plates=((-13.0, 13.0, 34.0),))
    grid = squared(scene)
    tiles = tiles_of(grid)
    assert tiles is not None
    planes = np.flatnonzero(tiles.count.sum(axis=(1, 2)) > 0)
    ends = [(scene.depth_mm(at) - grid.origin_mm[2]) / grid.depth_step_mm for at in (-13.0, 13.0)]
    assert planes[0] - ends[0] > 2.5 * BLUR
    assert ends[1] - planes[-1] > 2.5 * BLUR
    assert tiles.blur == pytest.approx(np.sqrt(BLUR**2 + 1 / 12), abs=0.05)


def test_noise_is_told_from_the_tiles() -> None:
    """The scatter of the tiles stands for the noise of a pixel."""
    tiles = tiles_of(squared(Scene(plates=((-13.0, 13.0, 34.0),), snr=20.0)))
    assert tiles is not None
    used = (tiles.count > 0).sum(axis=0) >= 6
    assert spread_of(DipFilter(tiles, used)(tiles)) == pytest.approx(0.05, rel=0.15)


def test_a_single_slice_has_no_flat_seam() -> None:
    """Too few planes to look through give nothing, and no error."""
    scene = Scene()
    grey = (scene.draw()[18:19] * 4000 + 900).astype(np.float32)
    part = measure_stack(SliceStack.from_array(grey, voxel_mm=MM, source="one", towards_viewer=False)).part
    assert faces(part) == []


def test_a_seam_beside_another_is_fitted_along_with_it() -> None:
    """Two seams five planes apart: with a dip of its own the other no longer counts as noise."""
    p = np.arange(11.0)
    grey = 0.0005 * np.random.default_rng(3).standard_normal(11)
    grey = grey - 0.04 * template(p - 7.2, 0.7) - 0.05 * template(p - 2.4, 0.7)
    one = Profile(7.0, p, grey - grey.mean(), 1.0, np.ones(1, dtype=bool), grey)
    alone, both = one.fit(0.7, 0.0005), replace(one, beside=(2.4,)).fit(0.7, 0.0005)
    assert abs(both.size - 0.04) < 3 * both.u < 0.01
    assert both.u < alone.u / 4 and both.z > 4 and both.beats_step


def test_where_a_side_seam_begins_no_tile_dips() -> None:
    """An arbor in a disc from the middle of the depth on: taken out, its gap leaves tiles as they are without it."""
    plain = squared(Scene(plates=((-13.0, 13.0, 34.0),), snr=400.0))
    metal = LayerMetal.of(plain)
    assert metal is not None
    centre = (plain.shape[2] - 1) / 2, (plain.shape[1] - 1) / 2
    shape = Circle(*centre, 12.0)
    deep, row, column = np.mgrid[: plain.shape[0], : plain.shape[1], : plain.shape[2]]
    line = 0.1 * template(np.hypot(column - centre[0], row - centre[1]) - 12.0, 1.0) * ndtr((deep - 18) / metal.tiles.blur)
    edge = round(float(metal.tiles.x[0, 1] - metal.tiles.x[0, 0]))
    rows, columns = metal.tiles.x.shape
    whole = np.zeros((len(line), rows * edge, columns * edge))
    whole[:, : line.shape[1], : line.shape[2]] = line
    dark = whole.reshape(len(line), rows, edge, columns, edge).mean(axis=(2, 4))
    full = metal.tiles.count == edge**2
    tiles = replace(metal.tiles, grey=metal.tiles.grey - dark)
    span = Span(18, 40, (0, 0), np.zeros((1, 1), np.int8), np.zeros((1, 1)), shape.outline(), Choice("seam", shape, np.ones(1, bool), 1.0))
    sized = FittedCandidate(Candidate("seam", False, shape, 0.0, (span,), True), FitFailed("a seam"), 29.0, False)
    seam = MeasuredFeature(Feature(id="", kind="round_seam", seam_mm=Measured(0.1 * MM, 0.001)), sized, (18.0, 60.0), None)
    got = replace(metal, tiles=tiles).without([seam], plain).tiles.grey
    assert np.abs(dark[full]).max() > 0.01
    assert np.abs(got - metal.tiles.grey)[full].max() < 0.001
