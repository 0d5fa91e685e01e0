"""One pass over the stack: which metal is the part, where it is, and how it is tilted."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property, partial

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ctrecon.core.ahead import ahead
from ctrecon.core.frames import Floats
from ctrecon.grey.artefacts import Artefacts
from ctrecon.grey.lasting import RingError, SharedError, measure_around, measure_lasting
from ctrecon.grey.levels import Levels
from ctrecon.grey.noise import Correlation, measure_correlation
from ctrecon.grey.shading import measure_shading
from ctrecon.slices.stack import SliceStack

__all__ = ["Body", "Survey", "sampled_normals", "survey_stack"]

_LEAST_BODY = 60  # voxels; smaller specks are dirt or noise
_GRAIN = 12  # voxels; bright grains of noise stay: taking them out would darken the air
_SAMPLES_A_PLANE, _FEWEST_A_PLANE = 3000, 200
_MOST_SAMPLES = 200_000  # surface points of a stack; more cost time only
_NOISE_PAIRS = 6  # pairs of slices from which noise is measured
_LASTING_LEAST = 12  # slices
_ROUND_ABOUT = 24  # voxels
_ROOM, _RASTER = 8, 32  # voxels


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
    `normals` are unit normals (x, y, z in mm space) of its surface, (N, 3); `bare` the
    slices that show nothing but the part.
    """

    stack: SliceStack
    levels: Levels
    bodies: tuple[Body, ...]
    keep: tuple[frozenset[int], ...]
    normals: Floats
    artefacts: Artefacts | None = None
    bare: frozenset[int] = frozenset()

    @property
    def body_slices(self) -> int:
        """Number of slices the measured body shows in."""
        return self.bodies[0].high[0] - self.bodies[0].low[0] + 1

    @cached_property
    def correlation(self) -> Correlation:
        """How far the noise of neighbouring voxels agrees."""
        return measure_correlation(self._window, self._pairs())

    @cached_property
    def lasting(self) -> SharedError | RingError | None:
        """Errors of the grey that are the same in all slices; None where nothing stands out of the noise.

        Too few slices to tell them from noise may still show those that run round the scanner's axis.
        """
        low, high = self.bodies[0].low, self.bodies[0].high
        trim = min(2, (high[0] - low[0]) // 2)
        seen = [k for k in range(low[0] + trim, high[0] + 1 - trim) if k not in self.stack.missing]
        if len(seen) >= _LASTING_LEAST:
            return measure_lasting(self._window, seen)
        _, dy, dx = self.stack.voxel_mm or (1.0, 1.0, 1.0)
        about = [((a + b) / 2, (c + d) / 2) for a, b, c, d in (
            (low[2], high[2], low[1], high[1]), (0, self.stack.shape[2] - 1, 0, self.stack.shape[1] - 1),
        )]  # fmt: skip
        return measure_around(self.plane, seen, about, squash=dy / dx, correlation=self.correlation) if seen else None

    @cached_property
    def shading(self) -> float | None:
        """Typical slope of the grey within metal and within air, contrasts per px; None where it is unknown."""
        return measure_shading(self._window, self._pairs())

    def _window(self, index: int) -> Floats:
        """Return the slice round the body: air far from the part tells nothing about the grey at its edges."""
        _, top, left = self.bodies[0].low
        _, bottom, right = self.bodies[0].high
        rows = slice(max(top - _ROUND_ABOUT, 0), bottom + _ROUND_ABOUT + 1)
        columns = slice(max(left - _ROUND_ABOUT, 0), right + _ROUND_ABOUT + 1)
        return self.plane(index)[rows, columns]

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
        if index in self.bare:
            return grey
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
    most = max(_FEWEST_A_PLANE, min(_SAMPLES_A_PLANE, _MOST_SAMPLES // len(stack)))
    first_of: list[int] = []
    counts: list[int] = []
    boxes: list[list[tuple[slice, ...]]] = []
    areas: list[NDArray[np.int64]] = []
    normals: list[tuple[Floats, NDArray[np.int64], int]] = []
    before: NDArray[np.int32] | None = None
    latest = 0
    smooth: list[_Smooth] = []
    labelled: list[NDArray[np.int32]] = []
    normalised = partial(_normalised, stack, levels, artefacts)
    for k, grey in enumerate(ahead(normalised, range(len(stack)), stack.shape[1] * stack.shape[2])):
        labels, count = _patches(grey)
        base = joined.add(count)
        first_of.append(base)
        counts.append(count)
        boxes.append(ndimage.find_objects(labels))
        area = np.zeros(count, dtype=np.int64)
        whole = _box_of(boxes[-1], grey.shape)
        if count:
            area += np.bincount(labels[whole].ravel(), minlength=count + 1)[1:]
        areas.append(area)
        if before is not None and count:
            one, two = before[whole], labels[whole]
            both = (one > 0) & (two > 0)
            pairs = one[both].astype(np.int64) * (count + 1) + two[both]
            pairs = np.unique(pairs[np.diff(pairs, prepend=-1) != 0])  # they come in long runs
            for pair in pairs.tolist():
                joined.join(latest + pair // (count + 1) - 1, base + pair % (count + 1) - 1)
        if k not in stack.missing:  # a gap does not part a body
            before = labels
            latest = base
        smooth = [*smooth[-2:], _Smooth(grey)]
        labelled = [*labelled[-2:], labels]
        if len(smooth) == 3:
            near = _box_of(boxes[k - 1], grey.shape)
            # boxes that grow with the part: most planes are smoothed once
            reach = _roomy(_joint(near, whole), grey.shape) if boxes[k - 1] else near
            smooth[2].over(reach)
            window = [one.over(near) for one in smooth]
            vectors, patch = _normals(window, labelled[1], near, stack.voxel_mm or (1.0, 1.0, 1.0), most)
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
    own = [v[roots[p] == main] for v, p, _ in normals if len(v)]
    found = np.concatenate(own) if own else np.empty((0, 3))
    bare = frozenset(k for k, (mine, count) in enumerate(zip(keep, counts, strict=True)) if len(mine) == count)
    return Survey(stack, levels, bodies, keep, found, artefacts, bare)


def sampled_normals(
    stack: SliceStack, levels: Levels, artefacts: Artefacts | None = None, *, places: int = 10
) -> Floats:
    """Return surface normals (N, 3) at some depths only, of all metal: enough to see how the part is turned."""
    whole = [k for k in range(1, len(stack) - 1) if not {k - 1, k, k + 1} & set(stack.missing)]
    out = []
    for k in sorted({whole[round(i)] for i in np.linspace(0, len(whole) - 1, min(len(whole), places))}):
        planes = [_normalised(stack, levels, artefacts, j) for j in (k - 1, k, k + 1)]
        window = [ndimage.gaussian_filter(plane, 0.7) for plane in planes]
        frame = slice(0, planes[1].shape[0]), slice(0, planes[1].shape[1])
        vectors, _ = _normals(window, _patches(planes[1])[0], frame, stack.voxel_mm or (1.0, 1.0, 1.0))
        out.append(vectors)
    return np.concatenate(out) if out else np.empty((0, 3))


def _normalised(stack: SliceStack, levels: Levels, artefacts: Artefacts | None, k: int) -> Floats:
    grey = levels.normal(stack.plane(k))
    return grey if artefacts is None else artefacts.correct(grey, k)


def _patches(grey: Floats) -> tuple[NDArray[np.int32], int]:
    with np.errstate(invalid="ignore"):
        labels, count = ndimage.label(grey > 0.5)
    return labels.astype(np.int32, copy=False), int(count)


def _box_of(boxes: list[tuple[slice, ...]], shape: tuple[int, ...]) -> tuple[slice, slice]:
    """Return the box round all patches of a plane, with room for smoothing about them."""
    if not boxes:
        return slice(0, 0), slice(0, 0)
    low = [max(min(b[axis].start for b in boxes) - _ROOM, 0) for axis in (0, 1)]
    high = [min(max(b[axis].stop for b in boxes) + _ROOM, shape[axis]) for axis in (0, 1)]
    return slice(low[0], high[0]), slice(low[1], high[1])


def _joint(a: tuple[slice, slice], b: tuple[slice, slice]) -> tuple[slice, slice]:
    rows, columns = (slice(min(p.start, q.start), max(p.stop, q.stop)) for p, q in zip(a, b, strict=True))
    return rows, columns


def _roomy(box: tuple[slice, slice], shape: tuple[int, ...]) -> tuple[slice, slice]:
    """Return a box grown to a raster, so that it seldom grows from plane to plane."""
    rows, columns = (
        slice(b.start // _RASTER * _RASTER, min(-(-b.stop // _RASTER) * _RASTER, n))
        for b, n in zip(box, shape, strict=True)
    )
    return rows, columns


class _Smooth:
    """A plane smoothed where that is asked for."""

    def __init__(self, grey: Floats) -> None:
        self._grey = grey
        self._box: tuple[slice, slice] | None = None
        self._smooth = grey[:0]

    def over(self, box: tuple[slice, slice]) -> Floats:
        """Return the smoothed plane over a box."""
        mine = self._box
        if mine is None or any(m.start > b.start or m.stop < b.stop for m, b in zip(mine, box, strict=True)):
            mine = self._box = box if mine is None else _joint(mine, box)
            self._smooth = ndimage.gaussian_filter(self._grey[mine], 0.7)
        rows, columns = (slice(b.start - m.start, b.stop - m.start) for m, b in zip(mine, box, strict=True))
        return self._smooth[rows, columns]


def _normals(
    window: list[Floats], labels: NDArray[np.int32], box: tuple[slice, slice],
    voxel_mm: tuple[float, float, float], most: int = _SAMPLES_A_PLANE,
) -> tuple[Floats, NDArray[np.int64]]:  # fmt: skip
    """Return unit normals (x, y, z) at strong edges of the middle plane, and the patch each belongs to.

    Few voxels are at an edge: the differences are taken at those alone, each over its 26 neighbours.
    """
    if min(window[1].shape) < 5:
        return np.empty((0, 3)), np.empty(0, dtype=np.int64)
    inner = window[1][2:-2, 2:-2]
    with np.errstate(invalid="ignore"):
        rows, columns = np.nonzero(np.abs(inner - np.float32(0.5)) < 0.35)
    rows, columns = rows + 2, columns + 2
    labels = labels[box]
    near = np.zeros(len(rows), dtype=labels.dtype)
    for down in range(-2, 3):
        for along in range(-2, 3):
            np.maximum(near, labels[rows + down, columns + along], out=near)
    rows, columns, near = rows[near > 0], columns[near > 0], near[near > 0]
    even, step = (1 / 6, 4 / 6, 1 / 6), (-0.5, 0.0, 0.5)
    gradient = np.zeros((3, len(rows)))
    for layer, plane in enumerate(window):
        for i in range(3):
            for j in range(3):
                grey = plane[rows + i - 1, columns + j - 1].astype(float)
                gradient[0] += even[layer] * even[i] * step[j] * grey
                gradient[1] += even[layer] * step[i] * even[j] * grey
                gradient[2] += step[layer] * even[i] * even[j] * grey
    with np.errstate(invalid="ignore"):
        good = np.sqrt((gradient**2).sum(axis=0)) > 0.18
    gradient, near = gradient[:, good], near[good]
    stride = max(1, gradient.shape[1] // most)
    dz, dy, dx = voxel_mm
    vectors = (gradient[:, ::stride] / np.array([[dx], [dy], [dz]])).T
    vectors = vectors / np.linalg.norm(vectors, axis=1, keepdims=True)
    return vectors, near[::stride].astype(np.int64)


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
