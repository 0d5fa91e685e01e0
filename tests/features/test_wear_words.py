"""How much of an edge is eaten is told along the sound edge, however far the eaten one runs about."""

import numpy as np
import pytest

from ctrecon.features.edge_cells import CELL_PX, EdgeCells
from ctrecon.features.wear_words import _along
from ctrecon.shapes import Circle


def _outline(radius: float, bite: float, deep: float) -> np.ndarray:
    """A bore's outline, px, eaten over `bite` degrees by a pocket with straight walls `deep` px into the metal."""
    turn, half = np.radians(np.arange(0.0, 360.0, 0.2)), np.radians(bite / 2)
    far = np.where(np.abs((turn + np.pi) % (2 * np.pi) - np.pi) < half, radius + deep, radius)
    round_ = np.column_stack([far * np.cos(turn), far * np.sin(turn)])
    steps = np.arange(0.02, deep, 0.02)
    walls: list[np.ndarray] = [np.empty((0, 2))] + [
        np.column_stack([(radius + s) * np.cos([a]), (radius + s) * np.sin([a])])
        for a, order in ((half, steps[::-1]), (-half, steps)) for s in order
    ]  # fmt: skip
    wall = np.concatenate(walls)
    up, down = wall[: len(steps)], wall[len(steps) :]
    first = round_[turn < half]
    rest = round_[(turn >= half) & (turn < 2 * np.pi - half)]
    last = round_[turn >= 2 * np.pi - half]
    return np.concatenate([first, up, rest, down, last])


@pytest.mark.parametrize(("radius", "bite", "deep"), [(5.0, 60.0, 2.5), (20.0, 40.0, 3.0), (40.0, 90.0, 0.0)])
def test_cells_add_up_to_the_sound_circumference(radius: float, bite: float, deep: float) -> None:
    """All cells of an eaten bore together are as long as its sound circle, 2 pi r (geometry), within 6 %: a cell may straddle the corner of the pocket."""
    fine = _outline(radius, bite, deep)
    length = np.concatenate([[0.0], np.hypot(*np.diff(np.vstack([fine, fine[:1]]), axis=0).T).cumsum()])
    count = round(length[-1] / CELL_PX)
    at = (np.arange(count) + 0.5) * length[-1] / count
    index = np.clip(np.searchsorted(length, at) - 1, 0, len(fine) - 1)
    ahead, behind = fine[(index + 1) % len(fine)], fine[index]
    run = (ahead - behind) / np.hypot(*(ahead - behind).T)[:, None]
    cells = EdgeCells(
        None, fine[index], np.column_stack([run[:, 1], -run[:, 0]]), np.zeros((1, count)), np.ones((1, count)),  # type: ignore[arg-type]
        np.array([[0, 9]]), np.arange(count), np.array([np.zeros(count), np.ones(count)]),
    )  # fmt: skip
    share = _along(Circle(x=0.0, y=0.0, radius=radius), cells)
    assert share.sum() * length[-1] / count == pytest.approx(2 * np.pi * radius, rel=0.06)
