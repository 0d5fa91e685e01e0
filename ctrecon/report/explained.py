"""How far the record explains the scan, as the report prints it."""

from collections.abc import Sequence
from dataclasses import dataclass

from ctrecon.core.measured import format_percent, format_value
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
            one.says, format_value(one.x_mm, 2), format_value(one.y_mm, 2),
            f"{format_value(one.depth_from_mm, 2)}\N{EN DASH}{format_value(one.depth_to_mm, 2)}",
            " \N{MULTIPLICATION SIGN} "
            "".join(format_value(size, 2) for size in one.size_mm), format_value(one.strength, 0),
        )
        for one in explained.lumps[:LUMPS_MOST]
    ]  # fmt: skip
    wrong = explained.metal_wrong or 0.0
    says = explained.says[:1].upper() + explained.says[1:].replace(", see the report", "")
    return ExplainedView(
        says, format_percent(wrong, 2) if wrong >= 5e-5 else "", figure_uri(explained_chart(explained)),
        tuple(pictures), tuple(lumps), max(0, len(explained.lumps) - LUMPS_MOST),
    )  # fmt: skip
