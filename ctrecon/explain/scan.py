"""Explains a scan: predicts every slice from the record, subtracts, and lists what is left."""

from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from ctrecon.core.ahead import LARGE, spare_core
from ctrecon.core.arguments import need
from ctrecon.core.errors import InputError
from ctrecon.core.flags import explain
from ctrecon.core.frames import Floats
from ctrecon.core.memory import give_back, share_memory
from ctrecon.core.progress import Progress
from ctrecon.core.threads import in_one_thread
from ctrecon.explain.blur import Seen, find_psf, look_ahead
from ctrecon.explain.local_grey import SlowResidual, fit_grey_levels
from ctrecon.explain.neighbours import largest_about, slope, spread
from ctrecon.explain.predict import Predictor
from ctrecon.explain.residual_regions import RegionFinder, SliceResidual
from ctrecon.explain.words import describe
from ctrecon.grey.levels import Levels, find_levels
from ctrecon.record.explained import Explained, ExplainedSlice, Psf
from ctrecon.record.measurement import need_part
from ctrecon.record.part import Part, Warn
from ctrecon.record.solid import Box, Solid, solid_of
from ctrecon.slices.stack import SliceStack

__all__ = ["explain_scan", "with_warning"]


_PICTURES = 3
_NEAR_PX = 4
_EDGE_PX = 0.2  # a record's edge may be off by this before what it leaves counts as unexplained
_EDGE_SLICES = 0.25
_ROOM, _CLEAR = 64, 32  # voxels about the part that are looked at; voxels that slow changes are felt over
_RUNS_ON = 6  # slices: what runs out of the stack runs on
_FAR = 12  # slices: what a slice tells of the grey of others reaches less far
_METAL_AT_ALL = 0.35  # of the contrast: less is air, however its level drifts


@in_one_thread
def explain_scan(part: Part, stack: SliceStack, *, progress: Progress | None = None) -> Explained:
    """Predict every slice from the record and compare it with the scan.

    Parameters
    ----------
    part : Part
        The finished record; nothing else of the measuring is used.
    stack : SliceStack
        The slices it was measured on.
    progress : callable or None
        Told the stage, how much is done and how much there is.

    Returns
    -------
    Explained
        Without shares and lumps where the record has no outside or the scan no two levels.

    Raises
    ------
    InputError
        If the slices are not those the record was measured on.

    Examples
    --------
    >>> import numpy as np
    >>> from scipy.ndimage import gaussian_filter
    >>> import ctrecon as ct
    >>> y, x = np.mgrid[:40, :40]
    >>> metal = np.clip(14.5 - abs(x - 19.4), 0, 1) * np.clip(10.5 - abs(y - 19.7), 0, 1)
    >>> grey = 100 + 800 * gaussian_filter(metal, 1.0) + np.random.default_rng(1).normal(0, 5, x.shape)
    >>> stack = ct.SliceStack.from_array(grey, voxel_mm=0.1)
    >>> print(ct.explain_scan(ct.measure(stack), stack).says.partition(";")[0])
    the record explains 100 % of the metal in the scan (residual 0.99 times the noise)
    """
    need_part(part, "explain_scan")
    need(stack, SliceStack, "explain_scan", cure="open one with open_stack, or SliceStack.from_array(array)")
    if stack.shape != (part.stack.slices, part.stack.rows, part.stack.columns):
        told = f"{part.stack.slices} slices of {part.stack.rows} x {part.stack.columns} voxels"
        raise InputError(
            f"{part.name} was measured on {told}, but {stack.source} has the shape {stack.shape}; open its own slices"
        )
    count = len(stack)
    levels = find_levels(stack)
    levels = None if levels is None else levels.at_boundary(part.boundary)
    solid = solid_of(part, as_found=True)
    if levels is None or not solid.bodies:
        return Explained((None,) * count, None, None)
    psf = find_psf(stack, levels, solid)
    seen_first = look_ahead(stack, levels, solid, psf)
    give_back()
    with suppress(_OutsideError):
        return _compared(part, stack, _Look(stack, levels, solid, psf, seen_first), progress)
    # metal beside the part: all of every slice is looked at, with nothing of the first look left in memory
    give_back()
    whole = (slice(0, stack.shape[1]), slice(0, stack.shape[2]))
    return _compared(part, stack, _Look(stack, levels, solid, psf, seen_first, whole), progress)


def _compared(part: Part, stack: SliceStack, look: "_Look", progress: Progress | None) -> Explained:
    """Compare all slices, one after the other."""
    count = len(stack)
    finder = RegionFinder(count, clipped=look.clipped)
    rms: list[float | None] = [None] * count
    totals = np.zeros(4, dtype=np.int64)
    seen_slices = [k for k in range(count) if k not in stack.missing and not look.is_empty(k)]
    for k, told in _all_told(look, finder, seen_slices, count):
        if told is not None:
            rms[k] = told.rms
            totals += told.seen, told.found, told.predicted, told.wrong
        if progress is not None:
            progress("explain", k + 1, count)
    lumps = tuple(describe(tally, part, look.solid) for tally in finder.finish())
    seen, found, predicted, wrong = totals.tolist()
    return Explained(
        tuple(rms),
        found / seen if seen else None,
        wrong / predicted if predicted else None,
        lumps,
        tuple(p for p in (look.picture(k) for k in _worst(rms, finder.excess)) if p is not None),
        look.psf,
        look.noise,
    )


@dataclass(frozen=True)
class _Told:
    """What one slice adds: scatter of the residual; voxels of metal seen, and of them found; predicted, and wrongly."""

    rms: float | None
    seen: int
    found: int
    predicted: int
    wrong: int

    @classmethod
    def by(cls, view: "_View") -> "_Told":
        rest, sure = view.rest, view.usable & ((view.rest.share < 0.2) | (view.rest.share > 0.8))
        square = rest.residual[rest.near] ** 2
        metal, said = view.metal & sure, (rest.share > 0.5) & sure
        return cls(
            float(np.sqrt(np.mean(square))) if square.size else None, int(metal.sum()) + view.beyond,
            int((metal & said).sum()), int(said.sum()), int((said & ~metal).sum()),
        )  # fmt: skip


def _all_told(
    look: "_Look", finder: RegionFinder, seen: list[int], count: int
) -> Iterator[tuple[int, _Told | None]]:
    """Yield what the slices tell, in turn, and hand each residual to the finder.

    Of large slices a second thread predicts the next one and looks at the residual of the one before: each of the
    three works through the slices in their order, so that nothing comes out otherwise.
    """
    following, present = dict(pairwise(seen)), set(seen)
    if look.pixels < LARGE or not spare_core():
        for k in range(count):
            told = None
            if k in present:
                view = look.at(k)
                finder.push(view.rest)
                told = _Told.by(view)
            yield k, told
        return
    share_memory()
    with ThreadPoolExecutor(1) as beside:
        ahead = beside.submit(look.predicted, seen[0]) if seen else None
        pushed: Future[None] | None = None
        for k in range(count):
            if k not in present or ahead is None:
                yield k, None
                continue
            predicted = ahead.result()
            if k in following:
                ahead = beside.submit(look.predicted, following[k])
            view = look.at(k, predicted)
            if pushed is not None:
                pushed.result()
            pushed = beside.submit(finder.push, view.rest)
            told = _Told.by(view)
            del view, predicted  # large: the next slice is compared without them
            yield k, told
        if pushed is not None:
            pushed.result()


def with_warning(part: Part, explained: Explained) -> Part:
    """Return the record with a warning that says where the scan is not explained, or as it was."""
    if not explained.lumps:
        return part
    shown = "; ".join(one.says.rstrip(".") for one in explained.lumps[:3])
    more = len(explained.lumps) - 3
    says = f"{explain('unexplained')}: {shown}" + (f"; and {more} more in the report" if more > 0 else "")
    says = says if says.endswith("?") else f"{says}."
    return replace(part, warnings=(*part.warnings, Warn(flag="unexplained", says=says)))


class _OutsideError(Exception):
    """Metal was seen outside the window."""


@dataclass(frozen=True, eq=False)
class _View:
    """The window of one slice compared: residual, what looks like metal, the grey itself; specks beyond the window."""

    rest: SliceResidual
    metal: NDArray[np.bool_]
    usable: NDArray[np.bool_]
    grey: Floats
    model: Floats
    beyond: int


class _Look:
    """Compares slices with the prediction, one at a time, within a window that holds the part and all metal."""

    def __init__(
        self, stack: SliceStack, levels: Levels, solid: Solid, psf: Psf, seen: Seen, window: Box | None = None
    ) -> None:
        self._stack, self._levels, self.solid, self.psf = stack, levels, solid, psf
        self.noise, self.clipped = seen.noise, seen.clipped
        self._window = window or solid.window(-_RUNS_ON, len(stack) - 1 + _RUNS_ON, _ROOM)
        rows, columns = self._window
        self._corner = rows.start, columns.start
        # metal must lie so far inside that nothing within reach of it is cut off
        sides = zip(self._window, stack.shape[1:], strict=True)
        self._inner = tuple(
            slice(b.start + _CLEAR if b.start else 0, n if b.stop == n else b.stop - _CLEAR) for b, n in sides
        )
        self._predictor = Predictor(solid, psf, self._window)
        self._before = seen.levels
        self._slow = SlowResidual()
        self._reached = np.flatnonzero([solid.reaches(k) for k in range(len(stack))])

    @property
    def pixels(self) -> int:
        """Pixels of the window."""
        rows, columns = self._window
        return int((rows.stop - rows.start) * (columns.stop - columns.start))

    def is_empty(self, index: int) -> bool:
        """Return whether a slice is far from all that the record predicts, and shows no metal either."""
        if np.abs(self._reached - index).min(initial=_FAR + 1) <= _FAR:
            return False
        grey = np.nan_to_num(self._levels.normal(self._stack.plane(index)), copy=False)
        return not _opened(self._smooth(grey) > _METAL_AT_ALL).any()

    def _smooth(self, grey: Floats) -> Floats:
        return np.asarray(ndimage.gaussian_filter(grey, 1.0 if self.noise.metal > 0.12 else 0.6))

    def predicted(self, index: int) -> tuple[Floats, Floats]:
        """Return the predicted share of metal of a slice, and its change from slice to slice."""
        return self._predictor.slice(index)

    def at(self, index: int, predicted: tuple[Floats, Floats] | None = None) -> _View:
        """Compare one slice, with what was predicted of it where that is at hand."""
        noise, window = self.noise, self._window
        grey = self._levels.normal(self._stack.plane(index))
        share, change = predicted or self.predicted(index)
        usable = np.isfinite(grey)
        grey = np.where(usable, grey, np.float32(0))
        smooth = self._smooth(grey)
        worst = max(noise.air, noise.metal)
        everywhere = np.zeros(grey.shape, dtype=np.float32)
        everywhere[window] = share
        fitted = fit_grey_levels(grey, everywhere, usable, worst, before=self._before)
        self._before = fitted.levels
        contrast = np.clip(fitted.contrast, 0.2, None)
        metal = smooth > fitted.plane + contrast * (0.5 - everywhere)
        self._all_inside(metal)
        beyond = int((metal & usable).sum()) - int((metal & usable)[window].sum())
        whole = grey.size
        del smooth, everywhere  # large, and done with
        metal, usable = metal[window], usable[window]
        grey, contrast, model = grey[window], contrast[window], fitted.plane[window]
        seen = _opened(metal) | (share > 0.05)
        near = spread(seen, _NEAR_PX) & usable
        scale = noise.at(share)
        residual = np.where(usable, (grey - model) / scale, np.float32(0))
        residual -= self._slow.of(residual, share, usable & near)
        slip = _EDGE_PX * slope(share) + _EDGE_SLICES * np.abs(change)
        allowed = largest_about(slip, 1) * contrast / scale
        slack = self.solid.slack(index)
        if slack is not None:
            allowed = allowed * slack[window]
        rest = SliceResidual(
            index, residual, allowed, share, scale / contrast, near,
            ~spread(~metal, 2), usable & ~spread(metal, 3), self._corner, whole,
        )  # fmt: skip
        return _View(rest, metal, usable, grey, model, beyond)

    def _all_inside(self, metal: NDArray[np.bool_]) -> None:
        """Refuse the window where metal, specks of noise left out, lies outside it."""
        pairs = metal[1:] & metal[:-1]
        blocks = pairs[:, 1:] & pairs[:, :-1]
        if np.count_nonzero(blocks) > np.count_nonzero(blocks[self._inner]):
            raise _OutsideError

    def picture(self, index: int) -> ExplainedSlice | None:
        """Cut the window of a slice that shows all its metal, seen or predicted; None where there is none."""
        self._slow = SlowResidual()
        view = self.at(index)
        if not view.rest.near.any():
            return None
        rows, columns = ndimage.find_objects(view.rest.near.astype(np.int8))[0]
        box = (rows, columns)
        grey = np.where(view.usable, view.grey, np.nan)[box].astype(np.float32)
        residual = np.where(view.usable, view.rest.residual, np.nan)[box].astype(np.float32)
        corner = (self._corner[0] + rows.start, self._corner[1] + columns.start)
        return ExplainedSlice(index, grey, view.model[box], residual, corner)


def _opened(metal: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Leave out specks of noise that pass for metal: what is in no block of two by two."""
    out = np.zeros_like(metal)
    blocks = metal[1:, 1:] & metal[:-1, 1:] & metal[1:, :-1] & metal[:-1, :-1]
    for rows in (slice(None, -1), slice(1, None)):
        for columns in (slice(None, -1), slice(1, None)):
            out[rows, columns] |= blocks
    return out


def _worst(rms: list[float | None], excess: dict[int, float]) -> list[int]:
    """Choose the slices with most left over, well apart, in the order of the stack."""
    known = [k for k, one in enumerate(rms) if one is not None]
    ranked = sorted(known, key=lambda k: (-round(excess.get(k, 0.0), 3), -round(rms[k] or 0.0, 6), k))
    apart = max(2, len(rms) // 12)
    chosen: list[int] = []
    for k in ranked:
        if len(chosen) < _PICTURES and all(abs(k - c) >= apart for c in chosen):
            chosen.append(k)
    return sorted(chosen)
