"""Where the scanner's axis passes through the slices: the centre about which fine grey depends on distance most."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ctrecon.core.frames import Floats

__all__ = ["EvenGrey", "centre_of"]

_REACH_PX = 60.0
_MOST_POINTS = 60_000  # more cost time only


@dataclass(eq=False)
class EvenGrey:
    """Sums of fine residual grey in even material, by block of depth and by class (0 air, 1 metal).

    `total` and `count` have shape (blocks, 2, rows looked at, columns); `row` (rows looked at,) says which rows
    these are of the slices' `shape`.
    """

    total: NDArray[np.float32]
    count: NDArray[np.uint16]
    row: NDArray[np.int64]
    shape: tuple[int, int]

    @classmethod
    def empty(cls, blocks: int, row: NDArray[np.int64], shape: tuple[int, int]) -> "EvenGrey":
        """Return sums of nothing."""
        sums = (blocks, 2, len(row), shape[1])
        return cls(np.zeros(sums, dtype=np.float32), np.zeros(sums, dtype=np.uint16), row, shape)

    def add(self, block: int, fine: Floats, air: NDArray[np.bool_], metal: NDArray[np.bool_]) -> None:
        """Add the fine grey of one slice."""
        for which, mask in enumerate((air, metal)):
            self.total[block, which] += np.where(mask, fine, np.float32(0))
            self.count[block, which] += mask


def centre_of(even: EvenGrey, squash: float) -> tuple[float, float] | None:
    """Return the likeliest centre, or None where there is too little even grey."""
    count = even.count.sum(axis=(0, 1), dtype=np.int64)
    rows, columns = np.nonzero(count)
    if len(rows) < 500:
        return None
    value = even.total.sum(axis=(0, 1))[rows, columns] / count[rows, columns]
    spread = 1.4826 * float(np.median(np.abs(value)))
    if not spread > 0:
        return None
    value = np.clip(value, -4 * spread, 4 * spread)
    return _centre(even.row[rows], columns, value, count[rows, columns], even.shape, squash)


def _centre(
    rows: NDArray[np.int64], columns: NDArray[np.int64], value: Floats, weight: NDArray[np.int64],
    shape: tuple[int, ...], squash: float,
) -> tuple[float, float]:  # fmt: skip
    """Search the place about which the fine grey depends on the distance most: coarse to fine."""
    middle = np.array([(shape[1] - 1) / 2, (shape[0] - 1) / 2])
    reach = min(_REACH_PX, 0.2 * min(shape))
    # coarse: voxels joined two by two, so that a pixel's error of the centre still shows the rings
    small = np.zeros((2, (shape[0] + 1) // 2, (shape[1] + 1) // 2))
    np.add.at(small[0], (rows // 2, columns // 2), value * weight)
    np.add.at(small[1], (rows // 2, columns // 2), weight)
    y, x = np.nonzero(small[1])
    some = slice(None, None, max(1, len(y) // 12_000))
    y, x = y[some], x[some]
    mean, count = small[0][y, x], small[1][y, x]
    steps = np.arange(-reach, reach + 1, 2.0)
    grid = [(float(middle[0] + a), float(middle[1] + b)) for a in steps for b in steps]
    scores = [_energy(2 * x + 0.5, 2 * y + 0.5, mean, count, c, squash, 2.0) for c in grid]
    # several peaks go on: a coarse picture may favour a wrong one
    starts = [grid[i] for i in np.argsort(scores)[::-1][:6]]
    some = slice(None, None, max(1, len(rows) // _MOST_POINTS))
    xf, yf, wf = columns[some].astype(float), rows[some].astype(float), weight[some].astype(float)
    vf = value[some] * wf
    step = 1.0
    best: tuple[float, float] = max(starts, key=lambda c: _energy(xf, yf, vf, wf, c, squash, 1.0))
    while step > 0.06:
        moved = [(best[0] + a * step, best[1] + b * step) for a in (-1, 0, 1) for b in (-1, 0, 1)]
        new = max(moved, key=lambda c: _energy(xf, yf, vf, wf, c, squash, max(0.5, min(1.0, 2 * step)), 30.0))
        if new == best:
            step /= 2
        best = new
    return best


def _energy(
    x: Floats, y: Floats, value: Floats, weight: Floats, centre: tuple[float, float], squash: float, width: float,
    most: float = 8.0,
) -> float:  # fmt: skip
    """Grey (each times its weight) explained by the distance from a centre: weighted sum of squares between rings."""
    across, down = x - centre[0], (y - centre[1]) * squash
    ring = (np.sqrt(across * across + down * down) / width).astype(np.int64)
    total = np.bincount(ring, value)
    count = np.bincount(ring, weight)
    used = count > 0
    share = total[used] ** 2 / count[used]
    # one strong line is one vote, not the whole election
    return float(np.minimum(share, most * np.partition(share, len(share) // 2)[len(share) // 2]).sum())
