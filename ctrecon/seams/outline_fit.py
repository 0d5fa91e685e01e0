"""Measures a found seam: its outline, taken at the middle of the gap, and its air-equivalent thickness."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.special import ndtr

from ctrecon.core.frames import Floats
from ctrecon.seams.field import SeamField
from ctrecon.seams.line_kinds import SeamShape, along, grown, line_kind
from ctrecon.seams.refine import SET, SeamCandidate

__all__ = ["OutlineFit", "band_of", "fit_outline"]

_BAND_PX = 6.0
_MOST_PIXELS = 9000
_FEWEST = 60
_SECTORS = 12
_SECTOR_PX = 6.0  # along the line, at least: narrower ones would take up all that a small rivet shows
_PATCHES = 24
_ALL = 0.98  # of what a parameter hangs on in one patch: there is no telling how far off it is
_SIGNIFICANT, _OF_A_SET = 3.0, 1.5  # its mates tell what is there; this one, what it is like
_LEAST_THICKNESS = 0.005  # px: in scans all but without noise the blur of a wall 3 px off leaves a fainter line
_BLUR_REACH = 0.35  # in the logarithm
_NO_GAIN = 1e-6  # share of the misfit, or of the parameters, that a step must bring: some 1e-4 px


@dataclass(frozen=True, eq=False)
class OutlineFit:
    """A measured outline; px of the part grid. The thickness is negative where the seam is bright.

    `u` holds one standard uncertainty for each of the shape's parameters, in the order of `LineKind.freedom`; `growth`
    is the change of half the size per plane. `step` is the grey inside the line over that outside it, as a share of
    the contrast. `misfit` is the sum of squared residuals, `scatter` that of one
    residual, both in units of the noise of the mean.
    """

    shape: SeamShape
    u: tuple[float, ...]
    thickness: float
    u_thickness: float
    blur: float
    growth: float
    u_growth: float
    step: float
    u_step: float
    rms: float
    misfit: float
    scatter: float

    def worse_than(self, other: "OutlineFit") -> float:
        """Return by how much chi squared this fits the same pixels worse than another."""
        return (self.misfit - other.misfit) / min(self.scatter, other.scatter) ** 2


@dataclass(frozen=True, eq=False)
class _Data:
    points: Floats
    depth: Floats
    grey: Floats
    weight: Floats
    sector: NDArray[np.int64]
    sectors: int
    patch: NDArray[np.int64]


# long: one least-squares fit; its steps share the same unknowns and are nested functions of it
def fit_outline(
    field: SeamField,
    lead: SeamCandidate,
    *,
    blur: float,
    blur_known: float,
    noise: float,
    shared: float = 1.0,
    about: SeamCandidate | None = None,
    held: bool = False,
) -> OutlineFit | None:
    """Fit the dip on the mean planes.

    The dip of a thin seam of thickness t is a Gaussian of area t (contrast 1), whatever the blur: the area is the
    air-equivalent thickness, the line its middle. Two pieces of unlike metal add a step of grey across the seam;
    shading adds, sector by sector, a level and, side by side, slopes. All of these are linear and are solved anew
    for every outline that is tried. Uncertainties come from the scatter of patches round the outline (what one
    patch has in common - streaks, rings, coarse noise - counts in full), and the thickness is never surer than its
    detection against other lines.

    Parameters
    ----------
    field : SeamField
    lead : SeamCandidate
    blur : float
        Expected blur of the squared planes (sigma, px).
    blur_known : float
        How well it is known, as a share of itself.
    noise : float
        Noise of one voxel, share of the contrast.
    shared : float
        By how much what neighbours in a plane share raises the variance of a sum of their noise.
    about : SeamCandidate or None
        Fit to the pixels near this line instead of the lead's own: so two shapes are fitted to the same pixels.
    held : bool
        Keep the lead's own outline and fit the thickness alone: where mates tell the outline better than it does.
    """
    start, step, back = line_kind(lead.shape).freedom(lead.shape)
    data = _gather(field, about or lead)
    if data is None:
        return None
    conical = lead.growth != 0.0
    p0 = np.array([*start, 0.0, *((lead.growth,) if conical else ())])
    size = len(start)
    sd = noise / max(field.starts[lead.last + 1] - field.starts[lead.first], 1) ** 0.5
    good = np.ones(len(data.grey), dtype=bool)

    def distance(p: Floats) -> Floats:
        d = back(p[:size]).signed_distance(data.points)
        return d + p[size + 1] * data.depth if conical else d

    levels = [np.where(data.sector == s, 1.0, 0.0) for s in range(data.sectors)]
    quarters = [data.sector * 4 // data.sectors == q for q in range(4)]

    def design(p: Floats) -> Floats:
        d, width = distance(p), float(blur * np.exp(p[size]))
        by = p[size + 1] * data.depth if conical else np.zeros(len(d))
        dip, slope = -dip_of(back(p[:size]), data.points, width, by, d), d / 6
        sides = [np.where(quarter, slope, 0.0) for quarter in quarters]
        return np.column_stack([dip, ndtr(d / width) - 0.5, d**2 / 36, *levels, *sides])

    def solve(p: Floats) -> tuple[Floats, Floats]:
        a = design(p)
        w = np.sqrt(data.weight) * good
        left = a.T @ (a * (w**2)[:, None])
        left[np.diag_indices_from(left)] += 1e-9 * np.trace(left)
        return np.linalg.solve(left, a.T @ (w**2 * data.grey)), a

    def residuals(p: Floats) -> Floats:
        linear, a = solve(p)
        out = (a @ linear - data.grey) * np.sqrt(data.weight) * good / max(sd, 1e-5)
        return np.append(out, p[size] / blur_known * scale)

    reach = np.array([*(3 * step), _BLUR_REACH, *((0.15,) if conical else ())])
    scale = 1.0
    steps = np.array([*step, 0.1, *((0.02,) if conical else ())])
    for _ in range(2):
        if not held:
            p0 = np.asarray(least_squares(
                residuals, p0, bounds=(p0 - reach, p0 + reach), x_scale=steps, ftol=_NO_GAIN, xtol=_NO_GAIN, max_nfev=40
            ).x)  # fmt: skip
        left = residuals(p0)[:-1]
        spread = 1.4826 * float(np.median(np.abs(left[good]))) if good.any() else 1.0
        scale = max(spread, 1e-6)  # the prior on the blur speaks in the units of the data
        good &= np.abs(left) <= 5 * scale
        if good.sum() < _FEWEST:
            return None
    linear, a = solve(p0)
    left = (a @ linear - data.grey) * np.sqrt(data.weight) / max(sd, 1e-5)
    bend = np.column_stack([
        (design(p0 + h) @ linear - design(p0 - h) @ linear) / (2 * h.sum()) for h in 1e-4 * np.eye(len(p0))
    ])  # fmt: skip
    variance = _sandwich(
        data, good, np.column_stack([bend, a]), left * good, sd, scale / blur_known, size, _grain(shared, blur)
    )
    u = np.sqrt(np.maximum(variance, 1e-12))
    count = len(p0)
    thickness, u_thickness = float(linear[0]), float(u[count])
    if (thickness < 0) != lead.bright:
        return None
    u_thickness = max(u_thickness, abs(thickness) / max(lead.z, 1.0))
    if abs(thickness) < max(_LEAST_THICKNESS, (_OF_A_SET if lead.name == SET else _SIGNIFICANT) * u_thickness):
        return None
    shape = back(p0[:size])
    return OutlineFit(
        shape=shape,
        u=tuple(float(max(v, 1e-3)) for v in u[:size]),
        thickness=thickness,
        u_thickness=u_thickness,
        blur=blur * float(np.exp(p0[size])),
        growth=float(p0[size + 1]) if conical else 0.0,
        u_growth=float(u[size + 1]) if conical else 0.0,
        step=float(linear[1]),
        u_step=float(u[count + 1]),
        rms=float(np.sqrt(np.mean(left[good] ** 2))),
        misfit=float(np.minimum(left**2, 25.0 * scale**2).sum()),
        scatter=scale,
    )


def dip_of(shape: SeamShape, points: Floats, blur: float, by: Floats, distance: Floats) -> Floats:
    """Return the grey lost at points (N, 2) to a gap of unit thickness along a shape, blurred.

    Across a straight line it is a Gaussian. About a circle it is that times the root of R over r (the circle's
    inner side gets more of it than the outer: its darkest line lies sigma² / 2R inside), and at the corners of a
    rectangle the two flats add up.

    Parameters
    ----------
    by : (N,) array
        What half the size is larger by at each point (conical seams).
    distance : (N,) array
        Signed distance to the line.
    """
    return line_kind(shape).dip(shape, points, blur, by, distance)


def _gather(field: SeamField, lead: SeamCandidate) -> _Data | None:
    """Collect mean grey near the line: joined over depth, or block by block where the line is conical."""
    middle = (field.starts[lead.first] + field.starts[lead.last + 1] - 1) / 2
    groups: list[tuple[Floats, Floats, float]] = []
    if lead.growth:
        for block in range(lead.first, lead.last + 1):
            at = (field.starts[block] + field.starts[block + 1] - 1) / 2 - middle
            groups.append((field.mean[block], field.weight[block], at))
    else:
        blocks = slice(lead.first, lead.last + 1)
        planes = np.diff(field.starts)[blocks][:, None, None]
        weight = (field.weight[blocks] * planes).sum(axis=0)
        mean = (field.mean[blocks] * field.weight[blocks] * planes).sum(axis=0) / np.maximum(weight, 1e-6)
        groups.append((mean, weight / planes.sum(), 0.0))
    parts: list[tuple[Floats, ...]] = []
    for mean, weight, at in groups:
        ring = grown(lead.shape, lead.growth * at)
        x0, y0, x1, y1 = _box(ring, mean.shape)
        yy, xx = np.mgrid[y0:y1, x0:x1]
        points = np.column_stack([xx.ravel(), yy.ravel()]).astype(float)
        w = weight[y0:y1, x0:x1].ravel()
        near = (w > 0.3) & (np.abs(ring.signed_distance(points)) < _BAND_PX)
        parts.append((points[near], np.full(int(near.sum()), at), mean[y0:y1, x0:x1].ravel()[near], w[near]))
    points, depth, grey, weight = (np.concatenate([p[i] for p in parts]) for i in range(4))
    if len(grey) < _FEWEST:
        return None
    stride = max(1, len(grey) // _MOST_PIXELS)
    points, depth, grey, weight = points[::stride], depth[::stride], grey[::stride], weight[::stride]
    x, y = lead.shape.centre
    share = np.arctan2(points[:, 1] - y, points[:, 0] - x) / (2 * np.pi) % 1
    sectors = 4 * int(np.clip(len(along(lead.shape)) / _SECTOR_PX / 4, 1, _SECTORS // 4))
    sector, patch = (np.minimum((share * n).astype(np.int64), n - 1) for n in (sectors, _PATCHES))
    return _Data(points, depth, grey.astype(float), weight.astype(float), sector, sectors, patch)


def _box(shape: SeamShape, size: tuple[int, ...]) -> tuple[int, int, int, int]:
    points = shape.outline(90)
    if not len(points):  # a parallel so far inside that nothing of it is left
        return 0, 0, 0, 0
    low, high = points.min(axis=0) - _BAND_PX - 1, points.max(axis=0) + _BAND_PX + 2
    return (
        max(int(low[0]), 0), max(int(low[1]), 0), min(int(high[0]) + 1, size[1]), min(int(high[1]) + 1, size[0]),
    )  # fmt: skip


def _sandwich(
    data: _Data, good: NDArray[np.bool_], slopes: Floats, left: Floats, sd: float, prior: float, blur: int,
    grain: float,
) -> Floats:  # fmt: skip
    """Variance of all parameters, errors shared within a patch counted in full.

    A patch that a parameter hangs on draws the fit towards itself, and what is left there is too small by that: it is
    scaled up by its leverage (Bell and McCaffrey, Survey Methodology 28, 2002, "CR2", from memory).
    """
    whole = slopes * (np.sqrt(data.weight) * good / max(sd, 1e-5))[:, None]
    normal = whole.T @ whole
    normal[blur, blur] += prior**2
    normal[np.diag_indices_from(normal)] += 1e-9 * np.diag(normal).max()
    value, vector = np.linalg.eigh(normal)
    kept = value > 1e-12 * value[-1]
    root = vector[:, kept] / np.sqrt(value[kept])  # root @ root.T is the inverse
    order = np.argsort(data.patch, kind="stable")
    white, rest = (whole @ root)[order], left[order]
    bounds = np.searchsorted(data.patch[order], np.arange(_PATCHES + 1))
    runs = [slice(*pair) for pair in pairwise(bounds)]
    own = np.array([white[run].T @ white[run] for run in runs])
    scores = np.array([white[run].T @ rest[run] for run in runs])
    share, axes = np.linalg.eigh(own)
    free = np.where(share < _ALL, 1 / np.sqrt(np.clip(1 - share, 1 - _ALL, None)), 0.0)
    scores = np.einsum("gij,gj,gkj,gk->gi", axes, free, axes, scores, optimize=True)
    spread = root @ scores.T
    # few patches may agree by chance, small ones share their noise: never less than what single pixels give
    plain = (root**2).sum(axis=1) * max(float(np.mean(left[good] ** 2)), 1e-12)
    plain[:2] *= grain  # of the place; sizes kept within u without (own worn parts)
    return np.asarray(np.maximum((spread**2).sum(axis=1), plain))


def _grain(shared: float, blur: float) -> float:
    """Return by how much noise that neighbours share raises the variance of a line's place.

    Noise smoothed over g px raises that of a sum by 4 pi g². The slope of a dip of blur b, which tells the place, meets
    all of it along the line, and across it what is left of its spectrum: (b² / (b² + g²))^1.5 (spectra multiplied).
    """
    g2 = max(shared, 1.0) / (4 * np.pi)
    return max(float(shared * (blur**2 / (blur**2 + g2)) ** 1.5), 1.0)


def band_of(
    shape: SeamShape, size: tuple[int, int], reach: float
) -> tuple[NDArray[np.int64], NDArray[np.int64], Floats]:
    """Return rows, columns and signed distance of the pixels within `reach` px of a line."""
    x0, y0, x1, y1 = _box(shape, size)
    yy, xx = np.mgrid[y0:y1, x0:x1]
    d = shape.signed_distance(np.column_stack([xx.ravel(), yy.ravel()]).astype(float))
    near = np.abs(d) < reach
    return yy.ravel()[near], xx.ravel()[near], d[near]
