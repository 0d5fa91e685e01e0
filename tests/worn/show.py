"""A contact sheet of worn parts: slices at three depths with the true outlines drawn on them, to be looked at."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib import pyplot as plt
from worn.render import Pose
from worn.shapes import Floats
from worn.truth import Made, Scanned, True_

_COLOURS = {"hole": "tab:cyan", "outside": "tab:orange", "seam": "tab:red", "slot": "tab:cyan", "wheel": "tab:green"}


def _outline(one: True_) -> Floats | None:
    """The true outline in the part's frame, (n, 2) px."""
    t = np.linspace(0, 2 * np.pi, 181)
    if one.diameter is not None:
        return np.column_stack([np.cos(t), np.sin(t)]) * one.diameter / 2
    if one.kind == "wheel" and one.tip is not None:
        return np.column_stack([np.cos(t), np.sin(t)]) * one.tip / 2
    if one.pair is not None and one.turn is not None:
        a, b = one.pair[0] / 2, one.pair[1] / 2
        corners = np.array([[a, b], [-a, b], [-a, -b], [a, -b], [a, b]])
        c, s = np.cos(np.radians(one.turn)), np.sin(np.radians(one.turn))
        return corners @ np.array([[c, s], [-s, c]])
    return None


def sheet(parts: Sequence[tuple[Scanned, Pose, Made]], path: str | Path) -> None:
    """Write the contact sheet as PNG: one row a part, three slices and a cut along depth."""
    fig, axes = plt.subplots(len(parts), 4, figsize=(15, 3.7 * len(parts)), squeeze=False)
    for row, (told, pose, made) in zip(axes, parts, strict=True):
        volume: Any = told.slices
        dz, dy, dx = pose.voxel
        low, high = (float(pose.to_stack(0, 0, z)[2]) / dz for z in (made.low, made.high))
        for ax, share in zip(row, (0.12, 0.5, 0.88), strict=False):
            k = int(np.clip(round(low + share * (high - low)), 0, len(volume) - 1))
            ax.imshow(
                volume[k],
                cmap="gray",
                extent=(-0.5 * dx, (volume.shape[2] - 0.5) * dx, (volume.shape[1] - 0.5) * dy, -0.5 * dy),
            )
            ax.set_title(f"{told.kind} {told.seed}, slice {k}", fontsize=8)
            for one in made.truths:
                points = _outline(one)
                ends = [float(pose.to_stack(one.x, one.y, z)[2]) / dz for z in (one.low, one.high)]
                if points is None or not ends[0] <= k <= ends[1]:
                    continue
                z = one.low + (k - ends[0]) / (ends[1] - ends[0]) * (one.high - one.low)
                drawn = np.array([pose.to_stack(one.x + p, one.y + q, z)[:2] for p, q in points])
                ax.plot(*drawn.T, lw=0.5, color=_COLOURS.get(one.kind.split("_")[-1], "white"))
        along = volume[:, int(np.clip(round(pose.centre[1] / dy), 0, volume.shape[1] - 1))]
        row[3].imshow(along, cmap="gray", extent=(0, volume.shape[2] * dx, len(volume) * dz, 0))
        for z in {end for one in made.truths for end in (one.low, one.high)}:
            row[3].axhline(float(pose.to_stack(0, 0, z)[2]) + dz / 2, lw=0.3, color="tab:orange")
        shown = {
            k: v for k, v in told.scan.items() if k in ("snr", "psf", "grain", "cupping", "rings", "streaks", "tilt")
        }
        row[3].set_title(" ".join(f"{k} {v:.3g}" for k, v in shown.items()), fontsize=7)
        for ax in row:
            ax.set_axis_off()
    fig.tight_layout()
    fig.savefig(path, dpi=70)
    plt.close(fig)
