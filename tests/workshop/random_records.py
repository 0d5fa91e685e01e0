"""Invented records of parts whose sizes and places follow no scheme at all, for the rate of false schemes."""

import numpy as np

from ctrecon.core.measured import Measured
from ctrecon.record.part import Axis, Feature, Part, Piece, StackInfo

__all__ = ["bare_part", "feature", "piece", "random_part"]


def bare_part(features: list[Feature], pieces: list[Piece] | None = None, *, scale_u: float | None = 0.0005) -> Part:
    """Return a record of an upright part with these features and pieces."""
    stack = StackInfo(
        source="invented", slices=400, rows=600, columns=600, voxel_mm=(0.05, 0.05, 0.05), scale_basis="stated",
        scale_u_rel=(scale_u, scale_u, scale_u),
    )  # fmt: skip
    axis = Axis(tilt_deg=Measured(0.0, 0.01), direction_xyz=(0.0, 0.0, 1.0), direction_u_deg=0.01)
    return Part(name="invented", made_with="test", stack=stack, axis=axis, features=tuple(features), pieces=tuple(pieces or ()))


def feature(
    number: int, kind: str, size: float, at: tuple[float, float], *, u: float = 0.002, depth: tuple[float, float] = (1.0, 6.0)
) -> Feature:
    """Return a feature with one size, a place and a depth, all with the same u."""
    sizes = {"flats_mm": Measured(size, u)} if kind.startswith("square") else {"diameter_mm": Measured(size, u)}
    return Feature(
        id=f"F{number}", kind=kind, x_mm=Measured(at[0], u), y_mm=Measured(at[1], u), depth_from_mm=Measured(depth[0], u),
        depth_to_mm=Measured(depth[1], u), turn_deg=Measured(10.0, 0.1) if kind.startswith("square") else None,
        arc_deg=90.0 if kind == "arc_outside" else None, **sizes,
    )  # fmt: skip


def piece(number: int, thickness: float, *, start: float = 1.0, u: float = 0.002) -> Piece:
    """Return a piece of this thickness."""
    return Piece(
        id=f"P{number}", name="piece", depth_from_mm=Measured(start, u / 2**0.5),
        depth_to_mm=Measured(start + thickness, u / 2**0.5), features=(), verdict="separate", probability_separate=None,
    )  # fmt: skip


def random_part(rng: np.random.Generator) -> Part:
    """Return a record with holes, squares, rounds, reliefs and pieces of sizes and places drawn freely."""
    u = float(10 ** rng.uniform(-3.5, -2))
    spread = rng.uniform(0.35, 1.1)

    def size(middle: float) -> float:
        return float(middle * np.exp(rng.uniform(-spread, spread)))

    width = size(30.0)
    features: list[Feature] = [feature(1, "round_outside", width, (15.0, 14.0), u=u)]
    taken: list[np.ndarray] = []

    def place() -> tuple[float, float]:
        while True:
            at = rng.uniform(-0.45, 0.45, 2) * width
            if np.hypot(*at) < 0.45 * width and all(np.hypot(*(at - one)) > 0.06 * width for one in taken):
                taken.append(at)
                return 15.0 + float(at[0]), 14.0 + float(at[1])

    kinds = ["round_hole"] * int(rng.integers(0, 8)) + ["square_hole"] * int(rng.integers(0, 4))
    kinds += ["square_outside"] * int(rng.integers(0, 4)) + ["round_outside"] * int(rng.integers(0, 4))
    kinds += ["arc_outside"] * int(rng.integers(0, 3))
    for kind in kinds:
        at = (15.0, 14.0) if kind.endswith("_outside") and kind != "arc_outside" else place()
        features.append(feature(len(features) + 1, kind, size(0.1 * width), at, u=u))
    pieces = [piece(i + 1, size(2.0), u=u) for i in range(int(rng.integers(1, 7)))]
    return bare_part(features, pieces, scale_u=None if rng.random() < 0.5 else float(10 ** rng.uniform(-4, -2.5)))
