"""What a scanner does to grey values: cupping, rings, streaks, ramps, noise that neighbours share, a grey scale."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from worn.render import Pose
from worn.shapes import Floats


@dataclass(frozen=True, kw_only=True)
class Scanner:
    """Faults of a scanner, as shares of the contrast between metal and air; lengths px.

    `grain` is the sd of the Gaussian over which noise is shared; `ramp_z`, `ramp_plane` how much the metal darkens
    from one side of the stack to the other; `streaks` the sd of twelve bands.
    """

    psf: float = 0.8
    snr: float = 1000.0
    grain: float = 0.0
    cupping: float = 0.0
    rings: float = 0.0
    streaks: float = 0.0
    ramp_z: float = 0.0
    ramp_plane: float = 0.0
    air: int = 20000
    metal: int = 42000


def clean(rng: np.random.Generator) -> Scanner:
    """Blur and a trace of noise, nothing else."""
    return Scanner(psf=float(rng.uniform(0.6, 1.2)), snr=400.0)


def noisy(rng: np.random.Generator) -> Scanner:
    """Blur and noise that no two voxels share, nothing else: what the limit of Cramér and Rao is worked out for."""
    return Scanner(psf=float(rng.uniform(0.6, 1.2)), snr=float(np.exp(rng.uniform(np.log(8), np.log(38)))))


def ugly(rng: np.random.Generator) -> Scanner:
    """All faults drawn together; each of the less usual ones is left out of some scans."""

    def some(share: float, low: float, high: float) -> float:
        value = float(rng.uniform(low, high))
        return value if rng.random() < share else 0.0

    air = int(rng.uniform(15000, 24000))
    return Scanner(
        psf=float(rng.uniform(0.6, 1.2)), snr=float(np.exp(rng.uniform(np.log(8), np.log(38)))),
        grain=some(0.75, 0.3, 1.2), cupping=some(0.8, 0.02, 0.26), rings=some(0.7, 0.002, 0.02),
        streaks=some(0.6, 0.005, 0.03), ramp_z=some(0.5, -0.12, 0.12), ramp_plane=some(0.5, -0.1, 0.1), air=air,
        metal=air + int(rng.uniform(12000, 20000)),
    )  # fmt: skip


def _plane(pose: Pose) -> tuple[Floats, Floats]:
    """Columns and rows of a slice in px."""
    y, x = np.indices(pose.shape[1:]).astype(np.float32)
    return x * np.float32(pose.voxel[2]), y * np.float32(pose.voxel[1])


def noise(shape: tuple[int, ...], voxel: tuple[float, float, float], grain: float, rng: np.random.Generator) -> Floats:
    """Gaussian noise of sd 1, shared over `grain` px (sd of the Gaussian it is smoothed with) in all directions."""
    out = rng.standard_normal(shape, dtype=np.float32)
    if grain:
        ndimage.gaussian_filter(out, [grain / v for v in voxel], mode="wrap", output=out)
        out /= out.std()
    return out


def nothing(pose: Pose, rng: np.random.Generator) -> tuple[NDArray[np.uint16], dict[str, object]]:
    """A stack that holds no metal: noise, white or shared by neighbours, alone or with a gradient, with rings, with both.

    Returns the slices and what they hold; the noise has an sd of 300 to 1500 grey values, the gradient and the rings
    up to some times as much.
    """
    what = str(rng.choice(["white", "grainy", "gradient", "rings", "all"]))
    grain = 0.0 if what == "white" else float(rng.uniform(0.7, 1.2))
    sd = float(rng.uniform(300, 1500))
    x, y = _plane(pose)
    plane = np.zeros(pose.shape[1:], np.float32)
    along = np.zeros((pose.shape[0], 1, 1), np.float32)
    if what in ("gradient", "all"):
        angle = rng.uniform(0, 2 * np.pi)
        way = np.cos(angle) * (x / x.max() - 0.5) + np.sin(angle) * (y / y.max() - 0.5)
        plane += (sd * rng.uniform(1, 6) * way).astype(np.float32)
        along += (sd * rng.uniform(0, 3) * np.linspace(-0.5, 0.5, pose.shape[0]))[:, None, None].astype(np.float32)
    if what in ("rings", "all"):
        far = np.hypot(x - x.mean() - rng.normal(0, 2), y - y.mean() - rng.normal(0, 2))
        profile = ndimage.gaussian_filter1d(rng.standard_normal(int(far.max()) + 3), 0.7)
        plane += np.interp(far, np.arange(len(profile)), profile * sd * rng.uniform(0.3, 1) / profile.std()).astype(
            np.float32
        )
    out = rng.uniform(15000, 40000) + plane + along + sd * noise(pose.shape, pose.voxel, grain, rng)
    told: dict[str, object] = {"what": what, "grain": grain, "noise": sd, "snr": 0.0}
    return np.clip(np.rint(out), 0, 65535).astype(np.uint16), told


def scan(volume: Floats, pose: Pose, scanner: Scanner, reach: float, rng: np.random.Generator) -> NDArray[np.uint16]:
    """Turn a rendered part (air 0, metal 1) into stored slices; `reach` is the part's radius, px."""
    x, y = _plane(pose)
    out = volume
    if scanner.cupping:
        far = np.hypot(x - pose.centre[0], y - pose.centre[1])
        out = out * (1 - np.float32(scanner.cupping) * (1 - np.clip(far / reach, 0, 1.2) ** 2))
    if scanner.ramp_z:
        out = out * (1 - np.float32(scanner.ramp_z) * np.linspace(0, 1, len(out), dtype=np.float32)[:, None, None])
    if scanner.ramp_plane:
        angle = rng.uniform(0, 2 * np.pi)
        along = np.cos(angle) * (x - x.mean()) / np.ptp(x) + np.sin(angle) * (y - y.mean()) / np.ptp(y)
        out = out * (1 - np.float32(scanner.ramp_plane) * along.astype(np.float32))
    extra = np.zeros(pose.shape[1:], np.float32)
    if scanner.rings:
        middle = np.array([x.mean(), y.mean()]) + rng.normal(0, 2, 2)
        far = np.hypot(x - middle[0], y - middle[1])
        profile = ndimage.gaussian_filter1d(rng.standard_normal(int(far.max()) + 3), 0.7)
        extra += np.interp(far, np.arange(len(profile)), profile * scanner.rings / profile.std()).astype(np.float32)
    if scanner.streaks:
        for _ in range(12):
            angle = rng.uniform(0, np.pi)
            through = np.array(pose.centre[:2]) + rng.uniform(-0.5, 0.5, 2) * reach
            off = (x - through[0]) * np.cos(angle) + (y - through[1]) * np.sin(angle)
            extra += (rng.normal(0, scanner.streaks) * np.exp(-0.5 * (off / rng.uniform(1, 3)) ** 2)).astype(np.float32)
    out = out + extra + noise(pose.shape, pose.voxel, scanner.grain, rng) / np.float32(scanner.snr)
    out *= scanner.metal - scanner.air
    return np.clip(np.rint(out + scanner.air), 0, 65535).astype(np.uint16)
