"""How far the record explains the scan, as the report prints it."""

from collections.abc import Sequence
from dataclasses import dataclass

from ctrecon.plots.explain import explained_chart, explained_slice
from ctrecon.record.explained import Explained
from ctrecon.record.part import Part
from ctrecon.report.embedded_images import Picture, figure_uri

__all__ = ["ExplainedView", "explained_view"]

LUMPS_MOST = 20


@dataclass(frozen=True)
class Left:
    """One unexplained lump as printed."""

    says: str
    x: str
    y: str
    depth: str
    size: str
    strength: str


@dataclass(frozen=True)
class ExplainedView:
    """How far the record explains the scan, as printed."""

    says: str
    wrong: str
    chart: str
    pictures: tuple[Picture, ...]
    lumps: tuple[Left, ...]
    more: int


def explained_view(part: Part, explained: Explained | None, names: Sequence[str]) -> ExplainedView | None:
    """Return what the section on the residual shows, None where nothing was compared."""
    if explained is None or explained.metal_explained is None:
        return None
    pictures = [
        Picture(
            figure_uri(explained_slice(one, explained, part)),
            names[one.index] if one.index < len(names) else "",
            f"Slice {one.index} as scanned, as predicted, and what is left.",
        )
        for one in explained.pictures
    ]
    lumps = [
        Left(
            one.says, f"{one.x_mm:.2f}", f"{one.y_mm:.2f}",
            f"{one.depth_from_mm:.2f}\N{EN DASH}{one.depth_to_mm:.2f}",
            " \N{MULTIPLICATION SIGN} ".join(f"{size:.2f}" for size in one.size_mm), f"{one.strength:.0f}",
        )
        for one in explained.lumps[:LUMPS_MOST]
    ]  # fmt: skip
    wrong = explained.metal_wrong or 0.0
    says = explained.says[:1].upper() + explained.says[1:].replace(", see the report", "")
    return ExplainedView(
        says, f"{100 * wrong:.2f} %" if wrong >= 5e-5 else "", figure_uri(explained_chart(explained)),
        tuple(pictures), tuple(lumps), max(0, len(explained.lumps) - LUMPS_MOST),
    )  # fmt: skip
