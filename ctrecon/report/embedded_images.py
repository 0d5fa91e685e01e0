"""Figures as they stand in the report: drawn into the page itself."""

import base64
from dataclasses import dataclass

from matplotlib.figure import Figure

from ctrecon.plots import to_svg

__all__ = ["Picture", "figure_uri"]


@dataclass(frozen=True)
class Picture:
    """A figure as a data URI with its caption."""

    uri: str
    caption: str
    alt: str


def figure_uri(figure: Figure) -> str:
    """Return the figure as an address that holds all of it."""
    return "data:image/svg+xml;base64," + base64.b64encode(to_svg(figure)).decode("ascii")
