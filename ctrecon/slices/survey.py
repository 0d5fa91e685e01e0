"""One pass over the stack: which metal is the part, where it lies, and how it is tilted."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ctrecon.core.frames import Floats
from ctrecon.slices.artefacts import Artefacts
from ctrecon.slices.levels import Levels
from ctrecon.slices.noise import Correlation, measure_correlation
from ctrecon.slices.shading import measure_shading
from ctrecon.slices.stack import SliceStack

__all__ = ["Body", "Survey", "sampled_normals", "survey_stack"]

_LEAST_BODY = 60  # voxels; smaller specks are dirt or noise
_GRAIN = 12  # voxels; bright grains of noise stay: taking them out would darken the air
_SAMPLES_A_PLANE = 3000
_NOISE_PAIRS = 6


@dataclass(frozen=True)
class Body:
    """One connected body of metal: its size and the box it fills (inclusive voxel indices)."""

    voxels: int
    low: tuple[int, int, int]
    high: tuple[int, int, int]


@dataclass(frozen=True, eq=False)
class Survey:
    """What one pass over the stack found.

    `keep` holds, per slice, the numbers of the 2-D patches that belong to the part;
    `normals` are unit normals (x, y, z in mm space) of its surface, (N, 3).
    """

    stack: SliceStack
    levels: Levels
    bodies: tuple[Body, ...]
    keep: tuple[frozenset[int], ...]
    normals: Floats
    artefacts: Artefacts | None = None

    @property
    def body_slices(self) -> int:
        """Number of slices the measured body shows in."""
        return self.bodies[0].high[0] - self.bodies[0].low[0] + 1

    @cached_property
    def correlation(self) -> Correlation:
        """How far the noise of neighbouring voxels agrees."""
        return measure_correlation(self.plane, self._pairs())

    @cached_property
    def shading(self) -> float | None:
        """Typical slope of the grey within metal and within air, contrasts per px; None where it can't be told."""
        return measure_shading(self.plane, self._pairs())

    def _pairs(self) -> list[tuple[int, int | None]]:
        """Up to six slices through the body, each with the next one where there is one."""
        first, last = self.bodies[0].low[0], self.bodies[0].high[0]
        present = [k for k in range(first, last + 1) if k not in self.stack.missing]
        trim = min(2, (len(present) - 1) // 2)  # the outermost slices are half metal, half air
        present = present[trim : len(present) - trim]
        picks = sorted({round(i) for i in np.linspace(0, len(present) - 1, min(len(present), _NOISE_PAIRS))})
        following = set(present)
        return [(present[i], present[i] + 1 if present[i] + 1 in following else None) for i in picks]

    @cached_property
    def noise_rel(self) -> float:
        """Noise of one voxel as a share of the contrast, also where neighbours share their noise."""
        shared = self.correlation.sd if len(self.correlation.rho) else None
        return max(self.levels.noise_rel, shared or 0.0)

    def plane(self, index: int) -> Floats:
        """Return slice `index` with air 0, metal 1, other bodies taken out, NaN where there is no data."""
        grey = _normalised(self.stack, self.levels, self.artefacts, index)
        labels, count = _patches(grey)
        others = sorted(set(range(1, count + 1)) - self.keep[index])
        if others:
            unwanted = np.isin(labels, others)
            # their blurred rim goes too, but never a voxel of the part or of its own rim
            mine = ndimage.binary_dilation((labels > 0) & ~unwanted, iterations=2)
            grey[ndimage.binary_dilation(unwanted, iterations=3) & ~mine & (grey > 0)] = 0.0
            grey[unwanted] = 0.0
        return grey

    def bridged_plane(self, index: int) -> Floats:
        """Return slice `index`; a missing one is bridged from its neighbours, to follow outlines by, never to fit."""
        if index not in self.stack.missing:
            return self.plane(index)
        present = [k for k in range(len(self.stack)) if k not in self.stack.missing]
        before, after = [k for k in present if k < index][-1:], [k for k in present if k > index][:1]
        if not before or not after:
            return self.plane(index)
        share = (index - before[0]) / (after[0] - before[0])
        return np.asarray((1 - share) * self.plane(before[0]) + share * self.plane(after[0]), dtype=np.float32)


def survey_stack(
    stack: SliceStack, levels: Levels, *, artefacts: Artefacts | None = None,
    progress: Callable[[str, int, int], None] | None = None,
) -> Survey:  # fmt: skip
    """Label the metal slice by slice, join the patches through depth, and gather surface normals.

    The normals come from differences matched in all three directions, so that a plane
    wall gives its true direction whatever the blur. What `artefacts` can take out of a plane
    is taken out here and in every plane the survey hands on.
    """
    joined = _Joined()
    first_of: list[int] = []
    counts: list[int] = []
    boxes: list[list[tuple[slice, ...]]] = []
    areas: list[NDArray[np.int64]] = []
    normals: list[tuple[Floats, NDArray[np.int64], int]] = []
    before: NDArray[np.int32] | None = None
    latest = 0
    smooth: list[Floats] = []
    labelled: list[NDArray[np.int32]] = []
    for k in range(len(stack)):
        grey = _normalised(stack, levels, artefacts, k)
        labels, count = _patches(grey)
        base = joined.add(count)
        first_of.append(base)
        counts.append(count)
        boxes.append(ndimage.find_objects(labels))
        areas.append(np.bincount(labels.ravel(), minlength=count + 1)[1:])
        if before is not None and count:
            both = (before > 0) & (labels > 0)
            pairs = np.unique(before[both].astype(np.int64) * (count + 1) + labels[both])
            for pair in pairs.tolist():
                joined.join(latest + pair // (count + 1) - 1, base + pair % (count + 1) - 1)
        if k not in stack.missing:  # a gap does not part a body
            before = labels
            latest = base
        smooth = [*smooth[-2:], ndimage.gaussian_filter(grey, 0.7)]
        labelled = [*labelled[-2:], labels]
        if len(smooth) == 3:
            vectors, patch = _normals(smooth, labelled[1], stack.voxel_mm or (1.0, 1.0, 1.0))
            normals.append((vectors, patch + first_of[k - 1] - 1, k - 1))
        if progress is not None:
            progress("survey", k + 1, len(stack))
    roots = np.array([joined.root(i) for i in range(joined.size)], dtype=np.int64)
    volume: dict[int, int] = {}
    box: dict[int, list[int]] = {}
    for k, (base, count) in enumerate(zip(first_of, counts, strict=True)):
        for j in range(count):
            root = int(roots[base + j])
            rows, columns = boxes[k][j]
            volume[root] = volume.get(root, 0) + int(areas[k][j])
            new = [k, rows.start, columns.start, k, rows.stop - 1, columns.stop - 1]
            old = box.get(root, new)
            box[root] = [min(a, b) for a, b in zip(old[:3], new[:3], strict=True)] + [
                max(a, b) for a, b in zip(old[3:], new[3:], strict=True)
            ]
    ranked = sorted((-size, box[root], root) for root, size in volume.items() if size >= _LEAST_BODY)
    bodies = tuple(Body(-size, (b[0], b[1], b[2]), (b[3], b[4], b[5])) for size, b, _ in ranked)
    main = ranked[0][2] if ranked else -1
    keep = tuple(
        frozenset(j + 1 for j in range(c) if roots[b + j] == main or volume[int(roots[b + j])] <= _GRAIN)
        for b, c in zip(first_of, counts, strict=True)
    )
    mine = [v[roots[p] == main] for v, p, _ in normals if len(v)]
    found = np.concatenate(mine) if mine else np.empty((0, 3))
    return Survey(stack, levels, bodies, keep, found, artefacts)


def sampled_normals(
    stack: SliceStack, levels: Levels, artefacts: Artefacts | None = None, *, places: int = 10
) -> Floats:
    """Return surface normals (N, 3) at some depths only, of all metal: enough to tell how the part lies."""
    whole = [k for k in range(1, len(stack) - 1) if not {k - 1, k, k + 1} & set(stack.missing)]
    out = []
    for k in sorted({whole[round(i)] for i in np.linspace(0, len(whole) - 1, min(len(whole), places))}):
        planes = [_normalised(stack, levels, artefacts, j) for j in (k - 1, k, k + 1)]
        window = [ndimage.gaussian_filter(plane, 0.7) for plane in planes]
        vectors, _ = _normals(window, _patches(planes[1])[0], stack.voxel_mm or (1.0, 1.0, 1.0))
        out.append(vectors)
    return np.concatenate(out) if out else np.empty((0, 3))


def _normalised(stack: SliceStack, levels: Levels, artefacts: Artefacts | None, k: int) -> Floats:
    grey = levels.normal(stack.plane(k))
    return grey if artefacts is None else artefacts.correct(grey, k)


def _patches(grey: Floats) -> tuple[NDArray[np.int32], int]:
    with np.errstate(invalid="ignore"):
        labels, count = ndimage.label(grey > 0.5)
    return labels.astype(np.int32, copy=False), int(count)


def _normals(
    window: list[Floats], labels: NDArray[np.int32], voxel_mm: tuple[float, float, float]
) -> tuple[Floats, NDArray[np.int64]]:
    """Return unit normals (x, y, z) at strong edges of the middle plane, and the patch each belongs to."""
    along_z = (window[2] - window[0]) / 2
    mean_z = (window[0] + 4 * window[1] + window[2]) / 6
    box = np.array([1.0, 4.0, 1.0], dtype=np.float32) / 6
    step = np.array([-0.5, 0.0, 0.5], dtype=np.float32)
    grad_z = ndimage.correlate1d(ndimage.correlate1d(along_z, box, axis=0), box, axis=1)
    grad_y = ndimage.correlate1d(ndimage.correlate1d(mean_z, step, axis=0), box, axis=1)
    grad_x = ndimage.correlate1d(ndimage.correlate1d(mean_z, box, axis=0), step, axis=1)
    with np.errstate(invalid="ignore"):
        size = np.sqrt(grad_x**2 + grad_y**2 + grad_z**2)
        good = (size > 0.18) & (np.abs(window[1] - 0.5) < 0.35)
    good[:2], good[-2:], good[:, :2], good[:, -2:] = False, False, False, False
    near = ndimage.grey_dilation(labels, size=(5, 5))
    rows, columns = np.nonzero(good & (near > 0))
    stride = max(1, len(rows) // _SAMPLES_A_PLANE)
    rows, columns = rows[::stride], columns[::stride]
    dz, dy, dx = voxel_mm
    vectors = np.column_stack(
        [grad_x[rows, columns] / dx, grad_y[rows, columns] / dy, grad_z[rows, columns] / dz]
    ).astype(float)
    vectors /= np.linalg.norm(vectors, axis=1, keepdims=True)
    return vectors, near[rows, columns].astype(np.int64)


class _Joined:
    """Disjoint sets of patches: grows by `add`, joined by `join`."""

    def __init__(self) -> None:
        self._parent: list[int] = []

    @property
    def size(self) -> int:
        return len(self._parent)

    def add(self, count: int) -> int:
        base = len(self._parent)
        self._parent.extend(range(base, base + count))
        return base

    def root(self, i: int) -> int:
        while self._parent[i] != i:
            self._parent[i] = self._parent[self._parent[i]]
            i = self._parent[i]
        return i

    def join(self, a: int, b: int) -> None:
        low, high = sorted((self.root(a), self.root(b)))
        self._parent[high] = low
