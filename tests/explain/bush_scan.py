"""A flanged bush with its record, rendered here by counting sub-voxels: no piece of the package draws the scan."""

from collections.abc import Callable
from functools import cache

import numpy as np
from scipy import ndimage
from scipy.spatial.transform import Rotation

from ctrecon.core.measured import Measured
from ctrecon.record.part import Axis, Feature, Part, StackInfo
from ctrecon.slices import SliceStack

VOXEL = (0.06, 0.05, 0.055)
SHAPE = (36, 84, 80)
MIDDLE = np.array([2.16, 2.09, 1.07])  # x, y, z mm of the part's own origin
PSF = 0.045
Solid = Callable[[np.ndarray, np.ndarray, np.ndarray], np.ndarray]


def direction(tilt_deg: float) -> np.ndarray:
    """The part axis, leaning towards 40 degrees."""
    tilt, towards = np.radians(tilt_deg), np.radians(40.0)
    return np.array([np.sin(tilt) * np.cos(towards), np.sin(tilt) * np.sin(towards), np.cos(tilt)])


def frame(tilt_deg: float) -> np.ndarray:
    """The smallest turn that takes the part axis upright: part coordinates = frame @ stack coordinates."""
    towards = np.radians(40.0)
    about = np.array([np.sin(towards), -np.cos(towards), 0.0])
    return np.asarray(Rotation.from_rotvec(np.radians(tilt_deg) * about).as_matrix())


def bush(x: np.ndarray, y: np.ndarray, z: np.ndarray) -> np.ndarray:
    """A flange of 3.2 mm, a collar of 2.2 mm, a bore of 0.7 mm and a bolt hole of 0.4 mm."""
    square = x * x + y * y
    metal = ((square < 1.6**2) & (z > -0.8) & (z < 0.1)) | ((square < 1.1**2) & (z >= 0.1) & (z < 0.7))
    return np.asarray(metal & ~(square < 0.35**2) & ~((x - 1.3) ** 2 + (y - 0.1) ** 2 < 0.2**2))


def share_of_metal(solid: Solid, tilt_deg: float) -> np.ndarray:
    """The blurred share of metal in every voxel, from 4 x 4 x 5 points in each; no solid reaches further than 1 mm along."""
    axes = frame(tilt_deg)
    count, rows, columns = SHAPE
    out = np.zeros(SHAPE, dtype=np.float32)
    across = (np.arange(4) + 0.5) / 4 - 0.5
    for k in range(count):
        for oz in (np.arange(5) + 0.5) / 5 - 0.5:
            z = (k + oz) * VOXEL[0] - MIDDLE[2]
            for oy in across:
                y = ((np.arange(rows) + oy) * VOXEL[1] - MIDDLE[1])[:, None]
                for ox in across:
                    x = ((np.arange(columns) + ox) * VOXEL[2] - MIDDLE[0])[None, :]
                    along = axes[2, 0] * x + axes[2, 1] * y + axes[2, 2] * z
                    if np.abs(along).min() < 1.0:
                        out[k] += solid(*(a[0] * x + a[1] * y + a[2] * z for a in axes[:2]), along)
    return np.asarray(ndimage.gaussian_filter(out / 80, [PSF / edge for edge in VOXEL], mode="nearest"))


@cache
def sound(tilt_deg: float) -> np.ndarray:
    """The bush as the record says it is."""
    return share_of_metal(bush, tilt_deg)


def scanned(
    share: np.ndarray, *, seed: int, snr: float = 20.0, shared_px: float = 0.0, rings: float = 0.0, cupping: float = 0.0
) -> SliceStack:
    """A stack in whole grey values: noise (of neighbours in common), concentric rings and cupping as asked for."""
    rng = np.random.default_rng(seed)
    y, x = np.arange(SHAPE[1])[:, None] - 41.0, np.arange(SHAPE[2])[None] - 38.0
    away = np.hypot(x, y)
    grey = share * (1 - cupping * (1 - np.clip(away / 32, 0, 1.2) ** 2))
    if rings:
        profile = ndimage.gaussian_filter1d(rng.normal(size=80), 0.7)
        grey = grey + np.interp(away, np.arange(80), profile * rings / profile.std())
    noise = rng.normal(size=SHAPE)
    if shared_px:
        noise = ndimage.gaussian_filter(noise, [0, shared_px, shared_px])
        noise /= noise.std()
    return SliceStack.from_array(
        (4000 + 10000 * (grey + noise / snr)).clip(0).astype(np.uint16), voxel_mm=VOXEL, source="bush"
    )


def record(tilt_deg: float) -> Part:
    """The complete record of the bush, typed in from its sizes."""
    axes, a = frame(tilt_deg), direction(tilt_deg)

    def feature(ident: str, kind: str, x: float, y: float, z: tuple[float, float], diameter: float) -> Feature:
        middle = axes.T @ np.array([x, y, sum(z) / 2]) + MIDDLE
        low, high = (middle[2] + (end - sum(z) / 2) * a[2] for end in z)
        return Feature(
            id=ident, kind=kind, x_mm=Measured(float(middle[0]), 0.001), y_mm=Measured(float(middle[1]), 0.001),
            depth_from_mm=Measured(float(low), 0.001), depth_to_mm=Measured(float(high), 0.001),
            diameter_mm=Measured(diameter, 0.001),
        )  # fmt: skip

    return Part(
        name="bush",
        made_with="ctrecon 0.1.0",
        stack=StackInfo(
            source="bush", slices=SHAPE[0], rows=SHAPE[1], columns=SHAPE[2], voxel_mm=VOXEL, scale_basis="stated"
        ),
        axis=Axis(tilt_deg=Measured(tilt_deg, 0.01), direction_xyz=(float(a[0]), float(a[1]), float(a[2]))),
        features=(
            feature("F1", "round_outside", 0.0, 0.0, (-0.8, 0.1), 3.2),
            feature("F2", "round_hole", 0.0, 0.0, (-0.8, 0.7), 0.7),
            feature("F3", "round_hole", 1.3, 0.1, (-0.8, 0.1), 0.4),
            feature("F4", "round_outside", 0.0, 0.0, (0.1, 0.7), 2.2),
        ),
    )
