"""A part of a stack, or a thinned one: a window in plan, a range of slices, voxels joined, slices passed over."""

import math
from dataclasses import replace

import numpy as np

from ctrecon.core.errors import InputError
from ctrecon.core.flags import FLAGS
from ctrecon.record.taken import Taken
from ctrecon.slices.kept import kept
from ctrecon.slices.readers.page import Plane
from ctrecon.slices.stack import Note, SliceStack

__all__ = ["quick_step", "take"]

_QUICK_PX = 128
"""Voxels along the longest edge of a quick pass: a part that fills half of them is still measured to some percent."""


def quick_step(shape: tuple[int, int, int]) -> int:
    """Return by how much a quick pass thins a stack."""
    return max(1, math.ceil(max(shape) / _QUICK_PX))


# long: half of it documents the options
def take(
    stack: SliceStack,
    *,
    slices: tuple[int, int] | None = None,
    window: tuple[int, int, int, int] | None = None,
    joined: int = 1,
    quick: bool = False,
) -> SliceStack:
    """Return a part of a stack as a stack of its own; its slices, x, y and z count from there.

    Parameters
    ----------
    stack : SliceStack
        The whole.
    slices : (first, last), optional
        First and last slice, both taken.
    window : (left, top, right, bottom), optional
        First and last column and row, all taken.
    joined : int
        How many voxels along each edge are joined into one (their mean); what is left over at the ends is dropped.
    quick : bool
        Thin the stack until it has at most 128 voxels an edge: voxels of a slice are joined, slices passed over.

    Raises
    ------
    InputError
        If nothing would be left, or a number is beyond the stack.

    Examples
    --------
    >>> import numpy as np
    >>> from ctrecon import SliceStack
    >>> from ctrecon.slices.taken import take
    >>> stack = SliceStack.from_array(np.zeros((90, 200, 300), dtype=np.uint8), voxel_mm=0.05)
    >>> take(stack, slices=(10, 69), joined=2).shape, take(stack, quick=True).voxel_mm
    ((30, 100, 150), (0.15000000000000002, 0.15000000000000002, 0.15000000000000002))
    """
    count, rows, columns = stack.shape
    first, last = _range(slices, count, "slices")
    left, top, right, bottom = window or (0, 0, columns - 1, rows - 1)
    left, right = _range((left, right), columns, "columns")
    top, bottom = _range((top, bottom), rows, "rows")
    if joined < 1:
        raise InputError(f"{joined} voxels can't be joined into one; give 1 or more")
    shape = last + 1 - first, bottom + 1 - top, right + 1 - left
    step = max(joined, quick_step(shape)) if quick else joined
    made = shape[0] // step if not quick else math.ceil(shape[0] / step), shape[1] // step, shape[2] // step
    if 0 in made:
        raise InputError(f"joining {step} voxels of {' x '.join(map(str, shape))} leaves nothing; join fewer")
    if (shape, step) == (stack.shape, 1):
        return stack
    thinned = 1 if quick else step  # slices that make one

    def load(index: int) -> Plane:
        total = np.zeros(made[1:], dtype=np.float32)
        for k in range(index * step + first, index * step + first + thinned):
            plane = stack.plane(k)[top : bottom + 1, left : right + 1]
            if step == 1:
                return np.ascontiguousarray(plane)
            blocks = plane[: made[1] * step, : made[2] * step].reshape(made[1], step, made[2], step)
            total += blocks.mean(axis=(1, 3), dtype=np.float32)
        return total / np.float32(thinned)

    missing = tuple(
        index for index in range(made[0])
        if any(k in stack.missing for k in range(index * step + first, index * step + first + thinned))
    )  # fmt: skip
    dtype = stack.dtype if step == 1 else np.dtype(np.float32)
    taken = Taken(first=(first, top, left), of=stack.shape, joined=(thinned, step, step), step=(step, step, step))
    words = (["part_of_stack"] if shape != stack.shape else []) + (["quick_pass"] if quick else [])
    notes = [Note(flag, f"{FLAGS[flag][0].upper()}{FLAGS[flag][1:]} ({taken.says}).") for flag in words]
    voxel = stack.voxel_mm and (stack.voxel_mm[0] * step, stack.voxel_mm[1] * step, stack.voxel_mm[2] * step)
    return replace(
        stack,
        shape=made,
        dtype=dtype,
        voxel_mm=voxel,
        names=tuple(stack.names[index * step + first] for index in range(made[0])),
        missing=missing,
        notes=(*stack.notes, *notes),
        load=load if step == 1 else kept(load, made, dtype, stored=0),  # joined once, not at every look
        in_plane_mm=stack.in_plane_mm and (stack.in_plane_mm[0] * step, stack.in_plane_mm[1] * step),
        taken=taken,
    )


def _range(given: tuple[int, int] | None, count: int, what: str) -> tuple[int, int]:
    first, last = (0, count - 1) if given is None else given
    if not 0 <= first <= last < count:
        raise InputError(f"{what} {first} to {last} are not in the stack, whose {what} are numbered 0 to {count - 1}")
    return first, last
