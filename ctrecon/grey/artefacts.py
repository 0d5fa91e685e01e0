"""Artefacts of the scan: found, taken out of the planes where that is sound, and flagged where not."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ctrecon.core.flags import explain
from ctrecon.core.frames import Floats
from ctrecon.grey.artefact_blur import depth_profiles, width_of
from ctrecon.grey.artefact_drift import Drift, Shift, find_drift, find_shifts
from ctrecon.grey.artefact_look import look_closely
from ctrecon.grey.artefact_scan import scan_stack
from ctrecon.grey.levels import Levels
from ctrecon.grey.rings import Rings, find_rings
from ctrecon.slices.stack import Note, SliceStack

__all__ = ["Artefacts", "find_artefacts"]

_CUPPED = 0.03  # of the metal; less is not mentioned
_STREAKED = 0.02  # of the contrast; less is not mentioned


@dataclass(frozen=True, eq=False)
class Artefacts:
    """Everything a stack's artefacts were measured to be; shares are of the contrast between metal and air.

    Attributes
    ----------
    snr : float
        Contrast over the noise of one voxel.
    psf_px, psf_slices : float or None
        Blur (sigma of a Gaussian, without the voxel's own averaging), in the plane and along depth.
    noise_correlation, noise_correlation_depth : float or None
        Correlation of the noise of neighbouring voxels in the plane, of neighbouring slices.
    rings : Rings or None
        Concentric rings that are taken out of every plane.
    drift : Drift or None
        Levels that run through depth; taken out where that is sound.
    cupping_rel, streaks_rel : float or None
        Rise of the metal's grey towards its rim; unevenness of the air from direction to direction.
    clipped_air, clipped_metal : float
        Share of air at the lowest, of metal at the highest grey of the stack.
    shifts : tuple of Shift
        Slices shifted against their neighbours.
    slices, metal_slices : int
        Slices of the stack, and those that show metal.
    """

    snr: float
    psf_px: float | None
    psf_slices: float | None
    noise_correlation: float | None
    noise_correlation_depth: float | None
    rings: Rings | None
    drift: Drift | None
    cupping_rel: float | None
    streaks_rel: float | None
    clipped_air: float
    clipped_metal: float
    shifts: tuple[Shift, ...]
    slices: int
    metal_slices: int
    _rings_plane: NDArray[np.float32] | None = field(default=None, repr=False)

    @property
    def ring_amplitude_rel(self) -> float:
        """Standard deviation of the rings before they were taken out; 0 where none were found."""
        return 0.0 if self.rings is None else self.rings.amplitude

    @property
    def ring_left_rel(self) -> float:
        """Standard deviation of what is left of the rings in the planes handed on."""
        return 0.0 if self.rings is None else self.rings.left

    @property
    def drift_rel(self) -> float:
        """Span of the levels through depth; 0 where they keep still."""
        return 0.0 if self.drift is None else self.drift.size

    @property
    def clipped_share(self) -> float:
        """The larger of the two clipped shares."""
        return max(self.clipped_air, self.clipped_metal)

    @property
    def changes(self) -> bool:
        """Return whether `correct` changes any plane at all."""
        moved = any(s.sure for s in self.shifts)
        drifts = self.drift is not None and bool(self.drift.air.any() or self.drift.metal.any())
        return self._rings_plane is not None or drifts or moved

    def correct(self, grey: Floats, k: int) -> Floats:
        """Take rings, drift and sure shifts out of the normalised plane k; a clean stack comes back untouched.

        Parameters
        ----------
        grey : (rows, columns) float32 array
            Plane with air 0, metal 1, NaN where there is no data.
        k : int
            Its slice number.

        Returns
        -------
        (rows, columns) float32 array
        """
        if self._rings_plane is not None and self.rings is not None:
            rings = np.float32(self.rings.gain((k + 0.5) / self.slices)) * self._rings_plane
            grey = np.subtract(grey, rings, out=rings)
        if self.drift is not None and (self.drift.air[k] or self.drift.metal[k]):
            air, metal = float(self.drift.air[k]), float(self.drift.metal[k])
            grey = grey - np.float32(air)
            grey /= np.float32(1 + metal - air)
        for shift in self.shifts:
            if shift.slice == k and shift.sure:
                known = np.isfinite(grey)
                moved = ndimage.shift(
                    np.where(known, grey, np.float32(0)), (-shift.rows, -shift.columns), order=3, mode="nearest"
                )
                grey = np.where(known, moved, np.float32(np.nan))
        return np.asarray(grey, dtype=np.float32)

    def notes(self) -> Iterator[Note]:
        """Say what was found, one sentence each, for the warnings of a record."""
        if self.rings is not None:
            strength = f"{100 * self.rings.amplitude:.1f} % of the contrast, {100 * self.rings.left:.1f} % left"
            yield Note("rings", f"{explain('rings')} ({strength})")
        if self.drift is not None:
            done = "the metal's step was left: it may be another metal" if self.drift.stepped else "corrected"
            size = f"{100 * self.drift.size:.1f} % of the contrast"
            yield Note("grey_drifts", f"{explain('grey_drifts')} ({size}; {done})")
        if self.cupping_rel is not None and abs(self.cupping_rel) >= _CUPPED:
            yield Note("cupping", f"{explain('cupping')} ({100 * self.cupping_rel:.0f} % of the contrast)")
        if self.streaks_rel is not None and self.streaks_rel >= _STREAKED:
            yield Note("streaks", f"{explain('streaks')} ({100 * self.streaks_rel:.1f} % of the contrast)")
        for share, what in ((self.clipped_metal, "metal"), (self.clipped_air, "air")):
            if share:
                yield Note("clipped", f"{explain('clipped')} ({100 * share:.1f} % of the {what})")
        if self.shifts:
            named = ", ".join(
                f"{s.slice} by {np.hypot(s.rows, s.columns):.2f} voxels{'' if s.sure else ' (not moved back)'}"
                for s in self.shifts[:8]
            )
            more = f" and {len(self.shifts) - 8} more" if len(self.shifts) > 8 else ""
            yield Note("slices_shifted", f"{explain('slices_shifted')}: slice {named}{more} (counted from 0)")


def find_artefacts(
    stack: SliceStack, levels: Levels, *, progress: Callable[[str, int, int], None] | None = None
) -> Artefacts:
    """Look for artefacts: one light pass over all slices and a close look at up to 16 of them.

    Parameters
    ----------
    stack : SliceStack
        Slices; no scale is needed.
    levels : Levels
        Their air and metal.
    progress : callable, optional
        Called with (what, done, of).

    Returns
    -------
    Artefacts
    """
    scan = scan_stack(stack, levels, progress=progress)
    look = look_closely(stack, levels, scan)
    voxel = stack.voxel_mm
    in_plane = stack.in_plane_mm if voxel is None else (voxel[1], voxel[2])
    squash = 1.0 if in_plane is None else in_plane[0] / in_plane[1]
    rings = find_rings(look.even, squash=squash)
    _, rows, columns = stack.shape
    along_rows, along_depth = look.along_rows, look.along_depth
    noise = look.noise
    if rings is not None and noise is not None:
        along_rows, along_depth = _without_rings(rings, noise, along_rows, along_depth)
        noise = float(np.sqrt(max(noise**2 - rings.amplitude**2, (0.3 * noise) ** 2)))
    return Artefacts(
        snr=levels.snr if not noise else 1.0 / noise,
        psf_px=look.psf_px,
        psf_slices=width_of(depth_profiles(scan)),
        noise_correlation=along_rows,
        noise_correlation_depth=along_depth,
        rings=rings,
        drift=find_drift(scan, correlation=float(np.clip(along_rows or 0.0, 0.0, 0.9))),
        cupping_rel=look.cupping,
        streaks_rel=look.streaks,
        clipped_air=scan.clipped[0],
        clipped_metal=scan.clipped[1],
        shifts=find_shifts(stack, levels, scan),
        slices=len(stack),
        metal_slices=max(1, int((scan.columns > 0.5).sum(axis=(1, 2), dtype=np.int64).astype(bool).sum())),
        _rings_plane=None if rings is None else rings.picture(rows, columns),
    )


def _without_rings(
    rings: Rings, noise: float, along_rows: float | None, along_depth: float | None
) -> tuple[float | None, float | None]:
    """Take the rings' own share out of the noise's correlation: they agree wholly along depth, half in the plane."""
    share = min(rings.amplitude**2 / noise**2, 0.9)
    fixed = []
    for value, agree in ((along_rows, 0.5), (along_depth, 1.0)):
        fixed.append(None if value is None else float(np.clip((value - share * agree) / (1 - share), -1, 1)))
    return fixed[0], fixed[1]
