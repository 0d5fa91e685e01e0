"""Covariance of a grey-value fit, and where each parameter's variance comes from."""

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from ctrecon.core.frames import Floats
from ctrecon.grey.lasting import RingError, SharedError
from ctrecon.grey.noise import Correlation

__all__ = ["WELSCH", "left_out", "sandwich", "stretch_by_neighbours"]

WELSCH = 3.0
"""Width of the redescending loss, in units of the noise."""

_MOST_PAIRED = 12_000  # voxels whose neighbours are paired; more cost time only
_MOST_CELLS = 4_000_000  # of a table in which neighbours are looked up; larger ones are searched
_MOST_TAKEN = 1.6  # most by which noise the fit took up may widen u
_FEWEST_GROUPS = 4  # fewer groups left out in turn show no scatter
_JOINED = 2  # sectors of 10 degrees: what is eaten goes on over more than one


# many: residuals, priors and every cause by which voxels err together
def sandwich(
    jac: Floats, raw: Floats, ties: Floats, *, shape: int, cluster: NDArray[np.int64],
    voxel: NDArray[np.int64] | None = None, correlation: Correlation | None = None,
    lasting: SharedError | RingError | None = None, noise: float = 1.0, damaged: bool = False,
) -> tuple[Floats, dict[str, Floats]] | None:  # fmt: skip
    """Return covariance and variance by origin, or None where the data do not settle the parameters.

    Parameters
    ----------
    jac : (N, Q) array
        Derivatives of the residuals, over the noise: the shape's parameters first, then
        blur, then grey levels.
    raw : (N,) array
        Residuals over the noise.
    ties : (T, Q) array
        Rows of priors.
    shape : int
        How many of the parameters belong to the shape.
    cluster : (N,) array
        Patches whose voxels may share errors: sector x 1000 + block of depth.
    voxel : (N, 3) array, optional
        Slice, row and column numbers, for `correlation`.
    correlation : Correlation, optional
        Correlation of the noise of neighbouring voxels.
    lasting : SharedError or RingError, optional
        Errors that are the same in all slices, or that run round the scanner's axis.
    noise : float
        What one unit of the residuals is, share of the contrast.
    damaged : bool
        A part of the edge is eaten: what is left of it may err by whole sectors, or by whole blocks of depth.

    Returns
    -------
    (covariance (Q, Q), {origin: variance (Q,)}) or None

    Notes
    -----
    Bread from the derivative of the redescending score, meat from its square voxel by
    voxel (P. J. Huber, Robust Statistics, section 7.6). Correlated noise stretches it by
    the meat of neighbouring pairs weighted with their correlation; patches by the scatter
    of their summed scores; sectors and blocks of a damaged edge by leaving out each in turn (the grouped
    jackknife: J. Shao and D. Tu, The Jackknife and Bootstrap, 1995; from memory); errors that last through depth
    by the covariance of the sums of all voxels that are one behind the other. No stretch makes it smaller.
    """
    weight = np.exp(-((raw / WELSCH) ** 2))
    score, penalty, count = weight * raw, ties.T @ ties, jac.shape[1]
    found = _bread(jac, raw, weight, penalty)
    if found is None:
        return None
    bread, slope = found
    inverse = np.linalg.inv(bread)
    meat = (jac * (score**2)[:, None]).T @ jac * (len(raw) / max(len(raw) - count, 1)) + penalty
    plain = inverse @ meat @ inverse
    variance = np.maximum(np.diag(plain), 1e-300)
    near = stretch_by_neighbours(jac, weight, inverse, voxel, correlation)
    if correlation is not None and len(correlation.rho) and correlation.sd:
        # noise that neighbours share counts for few voxels, and what the fit takes of it is missing in the residuals
        left = float(np.sqrt((weight * raw**2).sum() / weight.sum() * (1 + 2 / WELSCH**2))) * noise
        near *= float(np.clip(correlation.sd / left, 1.0, _MOST_TAKEN))
    lasts = np.zeros(count)
    if lasting is not None and voxel is not None:
        influence = (jac * weight[:, None]) @ inverse[:, :shape]
        lasts[:shape] = lasting.variance(voxel, influence) / noise**2
    near, alone_near = np.sqrt(near**2 + lasts / variance), near
    far = np.sqrt(np.maximum(_clustered(jac * score[:, None], inverse, penalty, cluster) / variance, 1.0))
    if damaged:  # what is eaten is eaten through depth, or round about: whole sectors and blocks err together
        for shared in (cluster // 1000 // _JOINED, cluster % 1000):
            out = left_out(jac, slope, score, penalty, shared)
            if out is not None:
                far = np.maximum(far, np.sqrt(out / variance))
    stretch = np.maximum(near, far)
    alone = _share(bread, inverse, np.arange(shape))
    levels = np.maximum(alone, _share(bread, inverse, np.flatnonzero(np.arange(count) != shape)))
    return plain * np.outer(stretch, stretch), {
        "noise": variance * alone,
        "edge_level": variance * (levels - alone),
        "blur": variance * (1 - levels),
        "correlation": variance * (alone_near**2 - 1),
        "artefacts": variance * (stretch**2 - alone_near**2),
    }


def _bread(jac: Floats, raw: Floats, weight: Floats, penalty: Floats) -> tuple[Floats, Floats] | None:
    """Return the second derivative of the loss and each residual's share in it, None where it can't be inverted."""
    slope = weight * (1 - 2 * (raw / WELSCH) ** 2)
    bread = (jac * slope[:, None]).T @ jac + penalty
    if not np.isfinite(bread).all():
        return None
    if np.linalg.eigvalsh(bread)[0] <= 0:  # too many stragglers for the second derivative: take the weights
        slope = weight
        bread = (jac * slope[:, None]).T @ jac + penalty
    return None if np.linalg.cond(bread) > 1e16 else (bread, slope)


def _clustered(each: Floats, inverse: Floats, penalty: Floats, cluster: NDArray[np.int64]) -> Floats:
    """Return the variances by the scatter of each patch's summed score; 0 where patches are too few to show it."""
    _, group = np.unique(cluster, return_inverse=True)
    groups, count = int(group.max()) + 1, each.shape[1]
    if groups < 4 * count:  # fewer could not tell their scatter from chance
        return np.zeros(count)
    sums = np.column_stack([np.bincount(group, weights=each[:, i], minlength=groups) for i in range(count)])
    return np.asarray(np.diag(inverse @ (sums.T @ sums * (groups / (groups - count)) + penalty) @ inverse))


def left_out(
    jac: Floats, slope: Floats, score: Floats, penalty: Floats, group: NDArray[np.int64]
) -> Floats | None:
    """Return the variance of each parameter by leaving out one group at a time, None where there are too few.

    `slope` and `score` are the derivative of each residual's pull and the pull itself, both without `jac` (N, Q);
    `penalty` (Q, Q) is what priors add. What a group takes of the answer is missing in its own residuals; left out,
    it shows. Where little of an edge is left, sums of scores alone come out too small by half.
    """
    _, at = np.unique(group, return_inverse=True)
    groups = int(at.max()) + 1
    if groups < _FEWEST_GROUPS:
        return None
    order = np.argsort(at, kind="stable")
    parts = np.split(order, np.searchsorted(at[order], np.arange(1, groups)))
    normals = [(jac[k] * slope[k, None]).T @ jac[k] for k in parts]
    whole = np.sum(normals, axis=0) + penalty
    moves = []
    for k, own in zip(parts, normals, strict=True):
        rest = whole - own
        if np.linalg.eigvalsh(rest)[0] <= 0 or np.linalg.cond(rest) > 1e14:
            return None  # one group alone settles a parameter
        moves.append(np.linalg.solve(rest, jac[k].T @ score[k]))
    return np.asarray((groups - 1) / groups * (np.array(moves) ** 2).sum(axis=0))


def _share(bread: Floats, inverse: Floats, kept: NDArray[np.int64]) -> Floats:
    """Share of each parameter's variance that is left when only the `kept` ones are fitted; 1 for the others."""
    out = np.ones(len(bread))
    alone = np.diag(np.linalg.inv(bread[np.ix_(kept, kept)]))
    out[kept] = np.clip(alone / np.maximum(np.diag(inverse)[kept], 1e-300), 0.0, 1.0)
    return out


def stretch_by_neighbours(
    jac: Floats,
    weight: Floats,
    inverse: Floats,
    voxel: NDArray[np.int64] | None,
    correlation: Correlation | None,
) -> Floats:
    """Return by how much correlated noise stretches each parameter's standard uncertainty (>= 1).

    `jac` (N, Q) and `weight` (N,) are those of the fit, `inverse` (Q, Q) the inverse of its normal matrix, `voxel`
    (N, 3) slice, row and column numbers.
    """
    count = jac.shape[1]
    if voxel is None or correlation is None or not len(correlation.rho):
        return np.ones(count)
    order = np.argsort(voxel[:, 0], kind="stable")
    if len(order) > _MOST_PAIRED:  # whole slices from the middle: pairs must stay together
        start = (len(order) - _MOST_PAIRED) // 2
        first, last = voxel[order[start], 0], voxel[order[start + _MOST_PAIRED - 1], 0]
        order = order[(voxel[order, 0] >= first) & (voxel[order, 0] <= last)]
    place, scored = voxel[order] - voxel[order].min(axis=0) + 8, jac[order] * weight[order, None]
    rows, columns = (int(n) + 16 for n in place.max(axis=0)[1:])
    key = (place[:, 0] * rows + place[:, 1]) * columns + place[:, 2]
    by_key = np.argsort(key, kind="stable")
    key, scored = key[by_key], scored[by_key]
    lags = correlation.lags
    at = _among(key, key[:, None] + (lags[:, 0] * rows + lags[:, 1]) * columns + lags[:, 2])
    pair = at >= 0
    rho = np.broadcast_to(correlation.rho * np.where(lags[:, 0] > 0, correlation.depth_more, 1.0), pair.shape)
    ends = np.concatenate([[0], np.cumsum(pair.sum(axis=1))])
    beside = sparse.csr_array((rho[pair], at[pair], ends), shape=(len(key), len(key)))
    influence = scored @ inverse
    white = np.maximum((influence**2).sum(axis=0), 1e-300)
    return np.asarray(np.sqrt(1.0 + np.maximum(2 * (influence * (beside @ influence)).sum(axis=0) / white, 0.0)))


def _among(key: NDArray[np.int64], wanted: NDArray[np.int64]) -> NDArray[np.int32]:
    """Return where some numbers, none below 0, stand among the keys, which are in order; -1 where they do not."""
    size = int(wanted.max()) + 1
    if size > _MOST_CELLS:
        at = np.minimum(np.searchsorted(key, wanted.T).T, len(key) - 1)
        return np.where(key[at] == wanted, at, -1).astype(np.int32)
    cells = np.full(size, -1, dtype=np.int32)
    cells[key] = np.arange(len(key), dtype=np.int32)
    return cells[wanted]
