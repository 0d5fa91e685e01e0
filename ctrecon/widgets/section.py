"""A section along the part: one row or column of every slice, read once."""

from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray

from ctrecon.record.part import Part
from ctrecon.slices import SliceStack
from ctrecon.widgets.curves import curves_on_slice

__all__ = ["MOST_SLICES", "cut_along", "middle_of"]

MOST_SLICES = 512  # more lines than this a section does not show on a screen; of more, every second or third is read


_KEPT = 4  # the section through the middle and those a person asked for last

_Both = tuple[NDArray[np.float32], NDArray[np.float32]]
_CUTS: WeakKeyDictionary[SliceStack, dict[tuple[int, int], _Both]] = WeakKeyDictionary()


def _both(stack: SliceStack, row: int, column: int) -> _Both:
    """Return the section along a row and the one along a column: every slice is decoded once for both."""
    kept = _CUTS.setdefault(stack, {})
    if (row, column) not in kept:
        chosen = range(0, len(stack), -(-len(stack) // MOST_SLICES))
        planes = (stack.plane(k) for k in chosen)
        lines = [(one[row].astype(np.float32), one[:, column].astype(np.float32)) for one in planes]
        while len(kept) >= _KEPT:
            kept.pop(next(iter(kept)))
        kept[row, column] = np.stack([one for one, _ in lines]), np.stack([one for _, one in lines])
    return kept[row, column]


def cut_along(stack: SliceStack, along: str, row: int, column: int) -> NDArray[np.float32]:
    """Return a section along the part.

    Parameters
    ----------
    stack : SliceStack
        Its slices are read once; the last sections are kept.
    along : {"row", "column"}
        Which line of every slice is taken.
    row, column : int
        The place both lines go through.

    Returns
    -------
    array
        Grey values, shape (slices, columns) along a row, (slices, rows) along a column; of more than
        `MOST_SLICES` slices every second, third and so on.

    Examples
    --------
    >>> import numpy as np
    >>> from ctrecon import SliceStack
    >>> stack = SliceStack.from_array(np.arange(24.0).reshape(2, 3, 4), voxel_mm=0.1)
    >>> cut_along(stack, "column", 0, 1).tolist()
    [[1.0, 5.0, 9.0], [13.0, 17.0, 21.0]]
    """
    return _both(stack, row, column)[0 if along == "row" else 1]


def middle_of(part: Part) -> tuple[int, int]:
    """Return the column and row in the middle of the largest curve of the middle slice: there the axis is looked for.

    Without curves, the middle of the slice.
    """
    rows, columns = part.stack.rows, part.stack.columns
    spans = [(points.min(axis=0), points.max(axis=0)) for _, points in curves_on_slice(part, part.stack.slices // 2)]
    if not spans:
        return columns // 2, rows // 2
    low, high = max(spans, key=lambda one: float(np.prod(one[1] - one[0])))
    column, row = (round(float(one)) for one in (low + high) / 2)
    return min(max(column, 0), columns - 1), min(max(row, 0), rows - 1)
