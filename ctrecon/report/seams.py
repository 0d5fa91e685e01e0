"""One piece or two: what the report shows of seams and of the pieces they part."""

from collections.abc import Sequence
from dataclasses import dataclass

from ctrecon.plots.pieces import exploded_section
from ctrecon.plots.unrolled import face_seam_map, seam_section, unrolled_seam
from ctrecon.record.kinds import kind_words
from ctrecon.record.part import Part
from ctrecon.record.pictures import FaceSeamPicture, SeamPicture
from ctrecon.report.embedded_images import figure_uri

__all__ = ["SeamCard", "exploded_picture", "seam_cards"]


@dataclass(frozen=True)
class SeamCard:
    """One seam: its heading, what its pictures say in words, and (data URI, what it shows, wide) of each."""

    heading: str
    facts: str
    pictures: tuple[tuple[str, str, bool], ...]


def seam_cards(part: Part, pictures: Sequence[SeamPicture | FaceSeamPicture]) -> list[SeamCard]:
    """Return one card a seam, in the order of the pictures.

    Parameters
    ----------
    part : Part
        The record the seams belong to.
    pictures : sequence of SeamPicture or FaceSeamPicture
        As they were made while measuring.
    """
    return [_card(part, one) for one in pictures]


def _card(part: Part, picture: SeamPicture | FaceSeamPicture) -> SeamCard:
    feature = part.feature(picture.feature)
    heading = f"{feature.id} {kind_words(feature)}"
    owners = [piece.id for piece in part.pieces if feature.id in piece.features]
    slices = "" if feature.slices_used is None else f"slices {feature.slices_used[0]} to {feature.slices_used[1]}"
    parts = f"parts {' and '.join(owners)} from what it touches" if owners else ""
    facts = "; ".join(one for one in (slices, parts) if one)
    if isinstance(picture, FaceSeamPicture):
        alt = f"{heading} seen along the axis, and the mean grey over its area through depth."
        return SeamCard(heading, facts, ((figure_uri(face_seam_map(picture, part)), alt, True),))
    return SeamCard(
        heading,
        facts,
        (
            (figure_uri(seam_section(picture, part)), f"Mean section of {heading}, without and with outline.", False),
            (figure_uri(unrolled_seam(picture, part)), f"{heading} unrolled: grey along it against depth.", True),
        ),
    )


def exploded_picture(part: Part) -> str:
    """Return the exploded section as a data URI; empty where the record names no second piece."""
    return figure_uri(exploded_section(part)) if len(part.pieces) > 1 and part.features else ""
