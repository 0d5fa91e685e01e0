"""How well each fit explains the grey values, in units of their noise."""

from matplotlib.figure import Figure

from ctrecon.core.measured import format_value
from ctrecon.plots.style import ACCENT, FONT, INK, SOFT, plain
from ctrecon.record.kinds import kind_words
from ctrecon.record.part import Part

__all__ = ["NOISE_LIMIT", "residual_plot"]

NOISE_LIMIT = 1.5
"""Above this many times the noise something is there that the shape does not explain (own choice)."""

_ROW_IN = 0.25
_WIDTH_IN = 9.6


def residual_plot(part: Part) -> Figure:
    """Draw the root mean square misfit of every fitted feature as a bar.

    Parameters
    ----------
    part : Part
        Features without `fit_rms_noise` are left out.

    Returns
    -------
    Figure
        1 on the scale: what is left over is as large as the noise, no fit can do better.
    """
    fitted = [(feature, feature.fit_rms_noise) for feature in part.features if feature.fit_rms_noise is not None]
    height = 0.95 + _ROW_IN * max(len(fitted), 1)
    figure = Figure(figsize=(_WIDTH_IN, height), facecolor="white")
    axes = figure.add_axes((2.35 / _WIDTH_IN, 0.6 / height, (_WIDTH_IN - 3.2) / _WIDTH_IN, (height - 0.85) / height))
    values = [value for _, value in fitted]
    for row, value in enumerate(values):
        high = value > NOISE_LIMIT
        axes.barh(
            row,
            value,
            height=0.55,
            facecolor="white" if high else SOFT,
            edgecolor=ACCENT if high else INK,
            hatch="////" if high else "",
            lw=1.0,
        )
        axes.annotate(
            format_value(value, 2),
            (value, row),
            xytext=(4, 0),
            textcoords="offset points",
            va="center",
            fontsize=8,
            family=FONT,
            color=INK,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0},
            zorder=5,
        )
    if not fitted:
        axes.text(
            0.5, 0.5, "no fits", transform=axes.transAxes, ha="center", va="center", fontsize=9, family=FONT, color=SOFT
        )
    names = [plain(f"{feature.id} {kind_words(feature)}", most=32) for feature, _ in fitted]
    axes.set_yticks(range(len(fitted)), names, fontsize=8.5, family=FONT, color=INK, parse_math=False)
    axes.set_ylim(max(len(fitted), 1) - 0.4, -0.6)
    axes.set_xlim(0, 1.12 * max([2.0, *values]))
    axes.axvline(1.0, color=INK, lw=0.9, ls=(0, (4, 2)))
    axes.annotate(
        "noise",
        (1.0, 1.0),
        xycoords=("data", "axes fraction"),
        xytext=(0, 3),
        textcoords="offset points",
        ha="center",
        fontsize=8,
        family=FONT,
        color=INK,
    )
    axes.tick_params(axis="y", length=0)
    axes.tick_params(axis="x", labelsize=8, labelfontfamily=FONT, colors=INK)
    axes.set_xlabel(
        "what the fit leaves over (root mean square), in times the noise", fontsize=8.5, family=FONT, color=INK
    )
    for name, side in axes.spines.items():
        side.set_visible(name in ("left", "bottom"))
        side.set_color(SOFT)
    return figure
