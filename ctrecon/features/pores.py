"""Pores: round voids closed all round by metal, about as long as wide, which no tool can have made."""

import numpy as np

from ctrecon.features.candidates import Candidate, is_metal_at
from ctrecon.grey.square_up import SquaredStack

__all__ = ["without_pores"]

_WIDEST_PX = 8.0  # what is wider may be a pocket that another piece covers
_MOST_SLENDER = 1.6  # length over width; a ball seen through blur and noise comes to 1.3
_BEYOND = 3  # planes past its last one, clear of its own blur


def without_pores(squared: SquaredStack, candidates: tuple[Candidate, ...]) -> tuple[Candidate, ...]:
    """Leave out the holes that are pores; the explained scan names them."""
    return tuple(c for c in candidates if not _is_pore(squared, c))


def _is_pore(squared: SquaredStack, candidate: Candidate) -> bool:
    width = 2 * (candidate.area_px2 / np.pi) ** 0.5
    length = (candidate.last - candidate.first + 1) * squared.depth_step_mm / squared.pitch_mm
    if not candidate.hole or not 0 < width < _WIDEST_PX or length > _MOST_SLENDER * width:
        return False
    x, y = candidate.shape.centre if candidate.shape is not None else candidate.spans[0].points.mean(axis=0)
    ends = (candidate.first - _BEYOND, candidate.last + _BEYOND)
    return all(is_metal_at(squared, (float(x), float(y)), width / 4, k) for k in ends)
