"""Invented records of toothed wheels as `measure` writes them, from stated truth: for tests of what is made of them."""

from dataclasses import replace
from math import acos, cos, degrees, pi, radians, tan

import numpy as np

from ctrecon.core.measured import Measured
from ctrecon.record.part import Axis, Feature, Flank, Part, StackInfo, ToothPlace
from ctrecon.teeth.counts import count_teeth
from ctrecon.teeth.rim import Centre

__all__ = ["arbor_hole", "crown", "fragment", "record", "wheel", "windows"]


def record(name: str, features: list[Feature]) -> Part:
    """Return a record of an upright part with these features, its scale known."""
    stack = StackInfo(
        source="invented", slices=200, rows=1400, columns=1800, voxel_mm=(0.05, 0.05, 0.05), scale_basis="stated",
        scale_u_rel=(0.0005, 0.0005, 0.0005),
    )  # fmt: skip
    axis = Axis(tilt_deg=Measured(0.0, 0.01), direction_xyz=(0.0, 0.0, 1.0), direction_u_deg=0.01)
    return Part(name=name, made_with="test", stack=stack, axis=axis, features=tuple(features))


def _profile(teeth: int, module: float) -> tuple[tuple[float, float], ...]:
    """Return (radius, half width) of an involute tooth of 20°, radial below its base circle."""
    base, half = teeth * module / 2 * cos(radians(20)), pi / 2 / teeth + tan(radians(20)) - radians(20)
    rows = []
    for radius in np.linspace(module * (teeth - 2.5) / 2, module * (teeth + 2) / 2, 25):
        at = acos(min(base / radius, 1.0))
        rows.append((float(radius), float(radius * np.sin(half - tan(at) + at))))
    return tuple(rows)


def wheel(
    ident: str, teeth: int, module: float, at: tuple[float, float], depth: tuple[float, float], *,
    runs: tuple[tuple[int, int], ...] | None = None, closing: float = 0.0, shift: float = 0.0, random: float = 0.004, u_centre: float = 0.004,
    bent: int | None = None, seed: int = 1, flags: tuple[str, ...] = (),
) -> Feature:  # fmt: skip
    """Return a spur wheel as measured: `runs` are (first tooth, how many) of what is left, None the whole rim.

    Angles carry the divider's random error, what was left over at the closing, and a shift of every second tooth, all in
    pitches; the counts and their
    odds are those of the one counter.
    """
    rng = np.random.default_rng(seed)
    pitch = 360 / teeth
    steps = np.full(teeth, 1 - closing / teeth)
    steps[-1] += closing
    marks = np.concatenate([[0.0], np.cumsum(steps)[:-1]]) + shift * (np.arange(teeth) % 2)
    true = (marks + rng.normal(0, random, teeth)) * pitch + 3.0
    u = 0.02 / (module * teeth / 2) * 57.3
    seen = true + rng.normal(0, u, teeth)
    if bent is not None:
        seen[bent] += 0.2 * pitch
    kept = runs or ((0, teeth),)
    places = tuple(
        ToothPlace(angle_deg=Measured(float(seen[k % teeth]) % 360, u), whole=k % teeth != bent, bent=k % teeth == bent, stretch=n)
        for n, (first, many) in enumerate(kept)
        for k in range(first, first + many)
    )
    angles = [[one.angle_deg for one in places if one.stretch == n] for n in range(len(kept))]
    radius = module * teeth / 2
    count = count_teeth(angles, radius=radius, centre=Centre(u_centre, u_centre), whole=runs is None)
    return Feature(
        id=ident, kind="wheel", flags=flags, x_mm=Measured(at[0], u_centre), y_mm=Measured(at[1], u_centre),
        depth_from_mm=Measured(depth[0], 0.01), depth_to_mm=Measured(depth[1], 0.01), turn_deg=Measured(3.0 % pitch, 0.01),
        tip_diameter_mm=Measured(module * (teeth + 2), 0.006), root_diameter_mm=Measured(module * (teeth - 2.5), 0.006),
        teeth=count.teeth, teeth_range=count.teeth_range, teeth_present=sum(one.whole for one in places),
        teeth_odds=tuple((one.teeth, one.probability) for one in count.table), pitch_deg=Measured(pitch, 0.002),
        tooth_width_mm=Measured(module * 1.65, 0.01), flank=Flank(form="involute", says="involute, 9 to 1", profile_mm=_profile(teeth, module)),
        tooth_places=places, unknown={} if count.teeth else {"teeth": count.reason},
    )  # fmt: skip


def crown(ident: str, teeth: int, module: float, at: tuple[float, float], depth: tuple[float, float]) -> Feature:
    """Return a crown wheel as measured: over and within its teeth instead of tips and roots, no flank."""
    spur = wheel(ident, teeth, module, at, depth, flags=("crown_teeth",))
    return replace(
        spur, diameter_mm=spur.tip_diameter_mm, inner_diameter_mm=spur.root_diameter_mm, tip_diameter_mm=None,
        root_diameter_mm=None, flank=None, unknown={"flank": "not measured"},
    )  # fmt: skip


def arbor_hole(ident: str, at: tuple[float, float], depth: tuple[float, float], *, square: bool = False, size: float = 2.0) -> Feature:
    """Return the hole of an arbor, round or square."""
    sizes = {"flats_mm": Measured(size, 0.003), "turn_deg": Measured(7.0, 0.1)} if square else {"diameter_mm": Measured(size, 0.003)}
    return Feature(
        id=ident, kind="square_hole" if square else "round_hole", x_mm=Measured(at[0], 0.003), y_mm=Measured(at[1], 0.003),
        depth_from_mm=Measured(depth[0], 0.01), depth_to_mm=Measured(depth[1], 0.01), **sizes,
    )  # fmt: skip


def windows(
    first: int, at: tuple[float, float], depth: tuple[float, float], *, inner: float, outer: float, arm: float, arms: int = 4
) -> list[Feature]:
    """Return the windows between straight arms as free holes with their outlines: points of circles and of arms."""
    found = []
    for k in range(arms):
        points = []
        for radius, way in ((outer, 1), (inner, -1)):
            low, high = degrees(np.arcsin(arm / 2 / radius)), 360 / arms - degrees(np.arcsin(arm / 2 / radius))
            turn = np.radians(np.linspace(low, high, 40)[::way] + 360 / arms * k)
            points += [(at[0] + radius * float(np.cos(t)), at[1] + radius * float(np.sin(t))) for t in turn]
        x, y = (float(one) for one in np.mean(points, axis=0))
        found.append(
            Feature(
                id=f"F{first + k}", kind="free_hole", x_mm=Measured(x, 0.01), y_mm=Measured(y, 0.01),
                depth_from_mm=Measured(depth[0], 0.01), depth_to_mm=Measured(depth[1], 0.01), area_mm2=Measured(1.0, 0.1),
                outline_mm=tuple(points),
            )
        )  # fmt: skip
    return found


def fragment(**broken: object) -> Part:
    """Return a fragment of a train, module 0.6: F1 of 60 teeth, broken, drives F3 of 12, on whose arbor F5 of 48 sits.

    F1 has a square bore F2 and four arms, F3 and F5 share the arbor of F4; F6 is the hole of an arbor that a wheel of 16
    was on, which F5 drove.
    """
    low, high = (1.0, 3.0), (5.0, 6.5)
    options = {"runs": ((5, 20), (40, 9)), "random": 0.03, "u_centre": 0.03, **broken}
    return record(
        "fragment",
        [
            wheel("F1", 60, 0.6, (25.0, 25.0), low, flags=("spoked",), **options),  # type: ignore[arg-type]
            arbor_hole("F2", (25.02, 25.0), low, square=True, size=4.0),
            wheel("F3", 12, 0.6, (46.62, 25.0), (0.5, 4.0), seed=2),
            arbor_hole("F4", (46.62, 25.0), (0.5, 6.5)),
            wheel("F5", 48, 0.6, (46.62, 25.0), high, seed=3),
            arbor_hole("F6", (46.62, 44.2), (0.5, 8.0)),
            *windows(7, (25.0, 25.0), low, inner=5.0, outer=14.5, arm=2.4),
        ],
    )
