"""The grey of one tooth on its wheel, blurred: all teeth of a rim have one form."""

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr

from ctrecon.core.frames import Floats

__all__ = ["MeanTooth", "ToothImage", "image_of"]

_REACH = 3.8  # blurs; beyond, an edge shows nothing
_STEP = 0.12  # px of the table at most; read linearly, it errs by less than a thousandth of the contrast
_CAP = 10  # slices of a tooth below the root circle and at the circle of the tips
_MOST = 220  # rows and columns of the table


@dataclass(frozen=True, eq=False)
class MeanTooth:
    """Form of one tooth: `half` (px) are its half widths at even radii from root to tip; `blur` is the edge's sigma.

    `lean` is how far its middle line wanders aside per px outwards.
    """

    root: float
    tip: float
    half: Floats
    blur: float
    lean: float = 0.0

    @property
    def radii(self) -> Floats:
        """Radii of the half widths, px."""
        return np.linspace(self.root, self.tip, len(self.half))

    @property
    def names(self) -> tuple[str, ...]:
        """Names of its parameters."""
        return ("root", "tip", "blur", "lean", *(f"half_{k}" for k in range(len(self.half))))

    @property
    def values(self) -> Floats:
        """Its parameters in the order of `names`."""
        return np.array([self.root, self.tip, self.blur, self.lean, *self.half])

    def changed(self, values: Floats) -> "MeanTooth":
        """Return the tooth with other parameters."""
        root, tip, blur, lean = (float(v) for v in values[:4])
        return replace(self, root=root, tip=tip, blur=blur, lean=lean, half=np.array(values[4:], dtype=float))


@dataclass(frozen=True, eq=False)
class ToothImage:
    """Share of metal of one tooth alone, on a grid of (distance from its middle line, height along it), px."""

    aside: Floats
    height: Floats
    share: Floats
    levels: int
    """Slices of the tooth behind it."""

    def at(self, aside: Floats, height: Floats) -> tuple[Floats, Floats, Floats]:
        """Return the share and its slopes aside and along the height; zero beyond the grid.

        Parameters
        ----------
        aside, height : arrays of one shape
            Signed distance from the middle line; distance from the wheel's centre along it.
        """
        step_a, step_h = self.aside[1] - self.aside[0], self.height[1] - self.height[0]
        a, h = np.abs(aside) / step_a, (height - self.height[0]) / step_h
        within = (a <= len(self.aside) - 1) & (h >= 0) & (h <= len(self.height) - 1)
        out = np.zeros((3, *np.shape(aside)))
        a, h = a[within], h[within]
        i = np.minimum(a.astype(np.int64), len(self.aside) - 2)
        j = np.minimum(h.astype(np.int64), len(self.height) - 2)
        s, t = a - i, h - j
        flat, first = self.share.ravel(), i * len(self.height) + j
        f00, f01, f10, f11 = (flat[first + k] for k in (0, 1, len(self.height), len(self.height) + 1))
        low, high = f00 + (f10 - f00) * s, f01 + (f11 - f01) * s
        out[0][within] = low + (high - low) * t
        out[1][within] = ((f10 - f00) * (1 - t) + (f11 - f01) * t) / step_a * np.sign(aside[within])
        out[2][within] = (high - low) / step_h
        return out[0], out[1], out[2]


def image_of(tooth: MeanTooth, reach: float, like: ToothImage | None = None) -> ToothImage:
    """Return the blurred image of one tooth standing alone on the root circle.

    Parameters
    ----------
    tooth : MeanTooth
        Its form.
    reach : float
        How far to either side of its middle line, px.
    like : ToothImage, optional
        An image whose grid is taken: two images of one grid differ by their teeth alone.

    Notes
    -----
    The Gaussian is separable: level slices of the tooth, between the root circle, its flanks and the circle of the
    tips, are blurred aside exactly and then along the height.
    """
    foot = float(np.sqrt(max(tooth.root**2 - min(tooth.half[0], tooth.root) ** 2, 0.0)))
    if like is None:
        wide = reach + _REACH * tooth.blur
        aside: Floats = np.linspace(0.0, wide, min(_MOST, int(wide / _STEP) + 2))
        low, high = foot - _REACH * tooth.blur, tooth.tip + _REACH * tooth.blur
        height: Floats = np.linspace(low, high, min(_MOST, int((high - low) / _STEP) + 2))
        levels = max(16, min(_MOST, int((tooth.tip - tooth.root) / _STEP) + 2))
    else:
        aside, height, levels = like.aside, like.height, like.levels
    # both circles leave the level by the root of the height: their slices get thinner towards it
    thin = 1 - np.linspace(1, 0, _CAP + 1)[1:] ** 2
    cap = min(float(tooth.tip - np.sqrt(max(tooth.tip**2 - tooth.half[-1] ** 2, 0.0))), 0.5 * (tooth.tip - tooth.root))
    even = np.linspace(tooth.root, tooth.tip - cap, levels)
    edges = np.r_[foot, foot + (tooth.root - foot) * thin, even[1:], tooth.tip - cap + cap * thin]
    level = (edges[1:] + edges[:-1]) / 2
    outer = np.interp(level, tooth.radii, tooth.half)
    for _ in range(3):  # the half width belongs to a radius, which is longer than the height
        outer = np.interp(np.hypot(level, outer), tooth.radii, tooth.half)
    outer = np.minimum(outer, np.sqrt(np.maximum(tooth.tip**2 - level**2, 0.0)))
    inner = np.minimum(np.sqrt(np.maximum(tooth.root**2 - level**2, 0.0)), outer)
    a, blur = aside[:, None], tooth.blur
    sides = ndtr((outer - a) / blur) - ndtr((inner - a) / blur) + ndtr((-inner - a) / blur) - ndtr((-outer - a) / blur)
    steps = ndtr((edges[:, None] - height) / blur)
    return ToothImage(aside, height, sides @ (steps[1:] - steps[:-1]), levels)
