"""A slice as a small grey picture for the eye, quickly made; measuring never sees it."""

import io

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from ctrecon.record.pictures import SlicePicture
from ctrecon.slices import SliceStack
from ctrecon.widgets.state import Review

__all__ = ["GreyScale", "grey_jpeg", "picture_of"]

_LONGEST = 1024  # more pixels than this a screen does not show beside the controls
_QUALITY, _QUALITY_SMALL = 85, 96
_SMALL = 512  # up to this size a picture is stretched on the screen, and blocks would show
_LOOKED_AT = 9


class GreyScale:
    """Black and white for all slices of a stack alike, so that a slice that is darker looks darker.

    `low` is shown black, `high` white; `least` and `most` are the greys there are, within which both can be moved.
    """

    def __init__(self, stack: SliceStack) -> None:
        there = [k for k in range(len(stack)) if k not in stack.missing]
        some = there[:: max(1, len(there) // _LOOKED_AT)]
        sound = [np.asarray(stack.plane(k)[::3, ::3], dtype=float) for k in some]
        grey = np.concatenate([one[np.isfinite(one)] for one in sound]) if sound else np.zeros(1)
        low, high = (float(v) for v in np.percentile(grey, (0.3, 99.8))) if grey.size else (0.0, 1.0)
        self.low, self.high = (low, high) if high > low else (low - 0.5, low + 0.5)
        ends = (float(grey.min()), float(grey.max())) if grey.size else (0.0, 1.0)
        self.least, self.most = min(ends[0], self.low), max(ends[1], self.high)

    def to_bytes(self, plane: NDArray[np.generic]) -> NDArray[np.uint8]:
        """Return the plane as 8 bits; no data are black."""
        grey = np.asarray(plane, dtype=np.float32)
        grey = (grey - np.float32(self.low)) * np.float32(255 / (self.high - self.low))
        np.nan_to_num(grey, copy=False, nan=0.0, posinf=255.0, neginf=0.0)
        return np.clip(grey, 0, 255).astype(np.uint8)


def grey_jpeg(plane: NDArray[np.generic], scale: GreyScale) -> bytes:
    """Return grey values as JPEG of at most 1024 pixels a side."""
    image = Image.fromarray(scale.to_bytes(plane))
    step = -(-max(image.size) // _LONGEST)
    if step > 1:
        image = image.reduce(step)
    out = io.BytesIO()
    image.save(out, "JPEG", quality=_QUALITY if max(image.size) > _SMALL else _QUALITY_SMALL)
    return out.getvalue()


def picture_of(review: Review) -> SlicePicture:
    """Return the present slice with its curves, for `ctrecon.plots.slice_with_fits`: the viewer without widgets."""
    grey = np.asarray(review.stack.plane(review.slice), dtype=np.float32)
    return SlicePicture(index=review.slice, grey=grey, origin_rc=(0, 0), curves=review.curves())
