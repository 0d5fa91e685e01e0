"""Disturbances of rendered volumes: what scanners, metal and time do to grey values."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from render import Distance, Floats, Pose, round_distance
from scipy import ndimage

Change = Callable[[Floats, Pose, np.random.Generator], Floats]


def _radius(pose: Pose, x: float, y: float) -> Floats:
    """Distance of every voxel of a slice from a point (px)."""
    _, dy, dx = pose.voxel
    yy, xx = np.mgrid[: pose.shape[1], : pose.shape[2]]
    return np.hypot(xx * dx - x, yy * dy - y).astype(np.float32)


def cupping(reach: float, depth: float = 0.3) -> Change:
    """Metal darker towards the middle by `depth` of the contrast; `reach` is the part's radius, px."""

    def change(volume: Floats, pose: Pose, rng: np.random.Generator) -> Floats:
        share = np.clip(_radius(pose, *pose.centre[:2]) / reach, 0, 1.2) ** 2
        return volume * (1 - np.float32(depth) * (1 - share))

    return change


def rings(strength: float) -> Change:
    """Concentric rings through all slices, sd `strength` of the contrast, centred 2 px (sd) off the part's middle."""

    def change(volume: Floats, pose: Pose, rng: np.random.Generator) -> Floats:
        x, y = np.array(pose.centre[:2]) + rng.normal(0, 2, 2)
        radius = _radius(pose, x, y)
        profile = ndimage.gaussian_filter1d(rng.standard_normal(int(radius.max()) + 3), 0.7)
        profile *= strength / profile.std()
        return volume + np.interp(radius, np.arange(len(profile)), profile).astype(np.float32)

    return change


def streaks(strength: float) -> Change:
    """Twelve straight bands across the part, dark and bright, 1 to 3 px wide, each `strength` (sd) of the contrast."""

    def change(volume: Floats, pose: Pose, rng: np.random.Generator) -> Floats:
        _, dy, dx = pose.voxel
        yy, xx = np.mgrid[: pose.shape[1], : pose.shape[2]].astype(np.float32)
        out = np.zeros(pose.shape[1:], np.float32)
        for _ in range(12):
            angle = rng.uniform(0, np.pi)
            x, y = np.array(pose.centre[:2]) + rng.uniform(-25, 25, 2)
            off = (xx * dx - x) * np.cos(angle) + (yy * dy - y) * np.sin(angle)
            out += (rng.normal(0, strength) * np.exp(-0.5 * (off / rng.uniform(1, 3)) ** 2)).astype(np.float32)
        return volume + out

    return change


def ramp(share: float) -> Change:
    """Metal that grows darker from the first slice to the last by `share` of the contrast."""

    def change(volume: Floats, pose: Pose, rng: np.random.Generator) -> Floats:
        fall = 1 - share * np.linspace(0, 1, len(volume), dtype=np.float32)
        return volume * fall[:, None, None]

    return change


def curved_grey(sd: float) -> Change:
    """Grey that is not a straight measure of the metal's share: v to the power of 1 ± sd, so half height lies elsewhere."""

    def change(volume: Floats, pose: Pose, rng: np.random.Generator) -> Floats:
        return np.clip(volume, 0, None) ** np.float32(np.exp(rng.normal(0, sd)))

    return change


@dataclass(frozen=True)
class Pit:
    """A stretch of eaten rim: middle (degrees, px of depth), half widths, and how deep it goes (px)."""

    at_deg: float
    half_deg: float
    z: float
    half_z: float
    deep: float


def pits(rng: np.random.Generator, length: float, *, single: bool) -> tuple[Pit, ...]:
    """One to three pits on a rim of this length, together 5 to 30 % of its turn."""
    return tuple(
        Pit(float(rng.uniform(0, 360)), float(rng.uniform(9, 18)), float(rng.uniform(-0.5, 0.5)) * length,
            1e6 if single else float(rng.uniform(0.2, 0.6)) * length, float(rng.uniform(1, 3)))
        for _ in range(int(rng.integers(1, 4)))
    )  # fmt: skip


def pitted(x: float, y: float, radius: float, marks: tuple[Pit, ...], *, hole: bool) -> Distance:
    """A round face with pits into its metal."""
    sign = 1 if hole else -1

    def distance(xx: Floats, yy: Floats, zz: Floats) -> Floats:
        angle = np.degrees(np.arctan2(yy - y, xx - x))
        r = np.full(np.broadcast_shapes(angle.shape, np.shape(zz)), radius, np.float32)
        for m in marks:
            off = np.clip(np.abs((angle - m.at_deg + 180) % 360 - 180) / m.half_deg, 0, 1)
            far = np.clip(np.abs(zz - m.z) / m.half_z, 0, 1)
            r = r + np.float32(sign * m.deep) * np.cos(off * np.pi / 2) * np.cos(far * np.pi / 2)
        return round_distance(np.hypot(xx - x, yy - y), r)

    return distance
