"""What a scanner does to the truth: blur, noise, rings, cupping, a round field, rounding."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ctrecon.core.errors import InputError

__all__ = ["Scanner", "scan"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scanner:
    """How a clean stack is spoiled; shares are of the contrast between metal and air.

    Parameters
    ----------
    snr : float
        Contrast over the standard deviation of the noise; infinite for none.
    psf_px : float or (slice, row, column)
        Gaussian blur (sigma) in voxels, after the averaging over the voxel itself.
    correlated_px : float
        Blur of the noise in voxels; 0 is white. The noise keeps its standard deviation.
    rings : float
        Standard deviation of the rings about the scanner's axis.
    cupping : float
        Loss of grey in metal on the scanner's axis against the corner of the slice.
    ramp : float
        Gain of grey in metal from the first slice to the last.
    field : float or None
        Radius of the round field of view as a share of half the shorter side.
    padding : {"constant", "nan"}
        What stands outside the field.
    clip : (low, high) or None
        Greys the detector can tell apart, 0 air and 1 metal.
    missing : tuple of int
        Slices that are not there.
    shifted : tuple of (slice, rows, columns)
        Slices moved by so many voxels.
    air, contrast : float
        Grey of air, and of full metal above it, in counts.
    bits : {8, 16, 32}
        Whole numbers of 8 or 16 bits, or 32-bit floats.
    inverted : bool
        Metal darker than air.
    """

    snr: float = 20.0
    psf_px: float | tuple[float, float, float] = 0.8
    correlated_px: float = 0.0
    rings: float = 0.0
    cupping: float = 0.0
    ramp: float = 0.0
    field: float | None = None
    padding: str = "constant"
    clip: tuple[float, float] | None = None
    missing: tuple[int, ...] = ()
    shifted: tuple[tuple[int, float, float], ...] = ()
    air: float = 9000.0
    contrast: float = 30000.0
    bits: int = 16
    inverted: bool = False

    def __post_init__(self) -> None:
        if not self.snr > 0 or not self.contrast > 0:
            raise InputError("A scanner needs snr and contrast above zero; give positive numbers.")
        if self.bits not in (8, 16, 32):
            raise InputError(f"A stack has 8, 16 or 32 bits, not {self.bits}; choose one of these.")
        if self.padding not in ("constant", "nan"):
            raise InputError(f"Padding is 'constant' or 'nan', not {self.padding!r}; choose one of these.")
        if self.field is not None and self.padding == "nan" and self.bits != 32:
            raise InputError("Whole numbers cannot hold 'no data'; use bits=32 with padding='nan'.")


def scan(clean: NDArray[np.float32], scanner: Scanner, rng: np.random.Generator) -> NDArray[Any]:
    """Return the stack as scanned.

    Parameters
    ----------
    clean : (slices, rows, columns) array
        0 in air, 1 in metal.
    scanner : Scanner
        What is done to it.
    rng : Generator
        Noise and rings.

    Returns
    -------
    (slices present, rows, columns) array
        uint8, uint16 or float32 counts.
    """
    slices, rows, columns = clean.shape
    grey = ndimage.gaussian_filter(clean, scanner.psf_px, mode="nearest", truncate=5.0).astype(np.float32)
    j, i = np.mgrid[:rows, :columns]
    from_axis = np.hypot(j - 0.5 * (rows - 1), i - 0.5 * (columns - 1))
    if scanner.cupping:
        share = (from_axis / from_axis.max()) ** 2
        grey *= (1.0 - scanner.cupping * (1.0 - share)).astype(np.float32)
    if scanner.ramp and slices > 1:
        grey *= (1.0 + scanner.ramp * (np.arange(slices) / (slices - 1)))[:, None, None].astype(np.float32)
    if scanner.rings:
        profile = ndimage.gaussian_filter1d(rng.standard_normal(int(from_axis.max()) + 3), 0.7)
        profile *= scanner.rings / profile.std()
        grey += np.interp(from_axis, np.arange(profile.size), profile).astype(np.float32)
    if np.isfinite(scanner.snr):
        noise = rng.standard_normal(clean.shape, dtype=np.float32)
        if scanner.correlated_px:
            noise = ndimage.gaussian_filter(noise, scanner.correlated_px)
            noise /= noise.std()
        grey += noise / np.float32(scanner.snr)
    for number, down, right in scanner.shifted:
        grey[number] = ndimage.shift(grey[number], (down, right), order=1, mode="nearest")
    if scanner.clip is not None:
        np.clip(grey, *scanner.clip, out=grey)
    if scanner.inverted:
        grey = np.float32(1.0) - grey
    counts: NDArray[np.float32] = np.float32(scanner.air) + np.float32(scanner.contrast) * grey
    if scanner.field is not None:
        outside = from_axis > scanner.field * 0.5 * (min(rows, columns) - 1)
        counts[:, outside] = np.nan if scanner.padding == "nan" else 0.0
    counts = np.delete(counts, list(scanner.missing), axis=0)
    if scanner.bits == 32:
        return counts
    top = 2**scanner.bits - 1
    return np.clip(np.rint(counts), 0, top).astype(np.uint8 if scanner.bits == 8 else np.uint16)
