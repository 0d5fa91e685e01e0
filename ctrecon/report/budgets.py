"""Where the uncertainty of each size comes from, and what the slices are like as pictures: rows for the report."""

from collections.abc import Iterator
from dataclasses import dataclass

from ctrecon.core.budget import ORIGINS
from ctrecon.core.measured import COVERAGE_FACTOR, Measured, format_percent, format_short, format_value
from ctrecon.record.part import Feature, ImageInfo, Part, scale_u_of

__all__ = ["ORIGIN_WORDS", "BudgetRow", "budget_rows", "image_facts"]

ORIGIN_WORDS = {
    "noise": "noise", "correlation": "shared noise", "edge_level": "edge level", "blur": "blur",
    "artefacts": "artefacts", "model": "model", "carried": "carried", "edge_offset": "edge offset",
    "known_sizes": "known sizes",
}  # fmt: skip
"""Column headings, in the order of the columns."""

_SHOWN = ("diameter_mm", "flats_mm", "flats_pair_mm", "x_mm", "y_mm")
_WORDS = {
    "diameter_mm": "diameter",
    "flats_mm": "across flats",
    "flats_pair_mm": "longer side",
    "x_mm": "x",
    "y_mm": "y",
}
_BOUNDARIES = {
    "metal": "half-way in grey between the metal and what lies beside it",
    "outer": "half-way in grey between air and what clings to the metal",
}


@dataclass(frozen=True)
class BudgetRow:
    """One quantity: its parts in the order of the columns, the scale's part and the whole, all as U (k = 2) in mm."""

    id: str
    quantity: str
    parts: tuple[str, ...]
    scale: str
    whole: str


def budget_rows(part: Part) -> tuple[list[str], list[str], list[BudgetRow]]:
    """Return column headings, what each means, and the rows; columns nobody fills are left out."""
    used = [o for o in ORIGIN_WORDS if any(o in b for f in part.features for b in f.budget.values())]
    rows = [row for feature in part.features for row in _rows(part, feature, used)]
    return [ORIGIN_WORDS[o] for o in used], [f"{ORIGIN_WORDS[o]}: {ORIGINS[o]}" for o in used if o in ORIGINS], rows


def _rows(part: Part, feature: Feature, used: list[str]) -> Iterator[BudgetRow]:
    for name in _SHOWN:
        origins = feature.budget.get(name)
        if not origins:
            continue
        value = getattr(feature, name)
        quantity: Measured = value[0] if isinstance(value, tuple) else value
        if quantity is None or quantity.u is None:
            continue
        relative = scale_u_of(part, name)
        scale = (
            None
            if relative is None
            else abs(quantity.value * relative if quantity.scale_u is None else quantity.scale_u)
        )
        whole = COVERAGE_FACTOR * (quantity.u**2 + (scale or 0.0) ** 2) ** 0.5
        yield BudgetRow(
            feature.id,
            _WORDS[name],
            tuple(_text(origins.get(origin)) for origin in used),
            "not known" if scale is None else _text(scale),
            format_value(whole, 5),
        )


def _text(u: float | None) -> str:
    if u is None:
        return ""
    expanded = COVERAGE_FACTOR * u
    return format_value(expanded, 5) if expanded >= 5e-6 else "<0.00001"


def image_facts(part: Part) -> list[tuple[str, str]]:
    """Return what the slices are like as pictures, and which boundary was measured."""
    facts = [("Boundary measured", _BOUNDARIES.get(part.boundary, part.boundary))]
    image = part.image
    return facts if image is None else [*facts, *_image(image)]


def _image(image: ImageInfo) -> Iterator[tuple[str, str]]:
    if image.snr is not None:
        yield "Contrast over noise", format_short(image.snr, 3)
    if image.psf_px is not None:
        depth = "" if image.psf_slices is None else f", {format_value(image.psf_slices, 2)} slices along depth"
        yield "Blur (sigma)", f"{format_value(image.psf_px, 2)} voxel in the slice{depth}"
    if image.edge_u_px is not None:
        yield (
            "Edge of the whole scan",
            f"{format_value(image.edge_u_px, 3)} voxel (k = 1) for a grey scale nobody checked: twice that on every "
            f"outside "
            "and, the other way, on every bore, not in U; sizes known from the part settle it",
        )
    if image.noise_correlation is not None:
        shared = max(image.noise_correlation, 0.0)  # below 0 is chance
        yield "Noise neighbours share", format_percent(shared)
    found = [
        (image.ring_amplitude_rel, "rings"), (image.drift_rel, "drift through depth"), (image.cupping_rel, "cupping"),
    ]  # fmt: skip
    seen = [f"{word} {format_percent(share, 1)}" for share, word in found if share is not None and share >= 0.001]
    if seen:
        yield "Artefacts, of the contrast", ", ".join(seen)
