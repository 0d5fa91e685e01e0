"""How far a record explains its scan: what is left over, region by region and slice by slice."""

from dataclasses import dataclass

import numpy as np

from ctrecon.core.frames import Floats
from ctrecon.core.measured import format_value

__all__ = ["Explained", "ExplainedSlice", "ResidualRegion", "Noise", "Psf"]


@dataclass(frozen=True)
class Psf:
    """Blur of the scanner as standard deviations of a Gaussian (mm): in the slice plane, and along depth."""

    across_mm: float
    along_mm: float


@dataclass(frozen=True)
class Noise:
    """Noise of one voxel as a share of the contrast, in air and in metal."""

    air: float
    metal: float

    def at(self, share: Floats) -> Floats:
        """Return the noise of voxels by their share of metal."""
        variance = self.air**2 + (self.metal**2 - self.air**2) * np.clip(share, 0, 1)
        return np.asarray(np.sqrt(variance), dtype=np.float32)


@dataclass(frozen=True)
class ResidualRegion:
    """Something the record does not explain: where it lies, how large it is, and what it may be.

    Parameters
    ----------
    says : str
        One sentence for the reader.
    sign : int
        +1: brighter than predicted, metal is missing from the record; -1: darker, the record has metal too much.
    x_mm, y_mm : float
        Its middle, in the stack's frame.
    depth_from_mm, depth_to_mm : float
        First and last slice it shows in, as depths.
    slices : (int, int)
        The same as slices.
    size_mm : (float, float, float)
        Longest and shortest extent in the slice plane, and along depth.
    strength : float
        Largest excess over the scatter of the smoothed residual.
    voxels : int
        How many voxels stand out.
    near : str
        Id of the feature whose surface is nearest; empty where none is.
    """

    says: str
    sign: int
    x_mm: float
    y_mm: float
    depth_from_mm: float
    depth_to_mm: float
    slices: tuple[int, int]
    size_mm: tuple[float, float, float]
    strength: float
    voxels: int
    near: str = ""


@dataclass(frozen=True, eq=False)
class ExplainedSlice:
    """A window of one slice: as scanned, as predicted (both air 0, metal 1), and the residual in noise units."""

    index: int
    scan: Floats
    predicted: Floats
    residual: Floats
    origin_rc: tuple[int, int]


@dataclass(frozen=True, eq=False)
class Explained:
    """How far a record explains its scan.

    Parameters
    ----------
    per_slice_rms : tuple of float or None
        Root mean square of the residual near metal, in units of the noise of one voxel; None where a slice
        is missing or shows no metal.
    metal_explained : float or None
        Share of the voxels seen as metal that the record predicts as metal (edge voxels left out).
    metal_wrong : float or None
        Share of the voxels predicted as metal that are not seen as metal.
    lumps : tuple of Lump
        What is left, the largest first.
    pictures : tuple of ExplainedSlice
        The slices least explained.
    psf : Psf or None
        Blur estimated from the scan.
    noise : Noise or None
        Noise of one voxel.
    """

    per_slice_rms: tuple[float | None, ...]
    metal_explained: float | None
    metal_wrong: float | None
    lumps: tuple[ResidualRegion, ...] = ()
    pictures: tuple[ExplainedSlice, ...] = ()
    psf: Psf | None = None
    noise: Noise | None = None

    @property
    def says(self) -> str:
        """One line: the share explained, and how much is left."""
        if self.metal_explained is None:
            return "the record holds nothing to explain the scan with"
        known = [one for one in self.per_slice_rms if one is not None]
        left = "nothing is left that stands out of the noise"
        if self.lumps:
            count = len(self.lumps)
            left = f"{count} unexplained {'place' if count == 1 else 'places'}, see the report"
        return (
            f"the record explains {percent(self.metal_explained)} of the metal in the scan "
            f"(residual {format_value(float(np.median(known)), 2)} times the noise); {left}"
        )


def percent(share: float) -> str:
    """Return a share in per cent, never rounded up to the whole."""
    return "100 %" if share >= 1 else f"{format_value(min(100 * share, 99.99), 2)} %"
