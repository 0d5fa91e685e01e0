"""What measuring gives: the record, and the pictures its report shows."""

from dataclasses import dataclass

from ctrecon.record.part import Part
from ctrecon.record.pictures import FaceSeamPicture, SeamPicture, SlicePicture

__all__ = ["Measurement"]


@dataclass(frozen=True, eq=False)
class Measurement:
    """A part record with the pictures its report shows.

    Parameters
    ----------
    part : Part
        The record.
    pictures : tuple of SlicePicture
        Slices with the fitted outlines drawn on them.
    seam_pictures : tuple of SeamPicture or FaceSeamPicture
        What shows each seam.

    Examples
    --------
    >>> from ctrecon import Measurement, read_part
    >>> measurement = Measurement(read_part("drum_hub_out/part.json"))
    >>> measurement.part.pieces[1].name, measurement.pictures
    ('spacer', ())
    """

    part: Part
    pictures: tuple[SlicePicture, ...] = ()
    seam_pictures: tuple[SeamPicture | FaceSeamPicture, ...] = ()
