"""What measuring gives: the record, and the pictures its report shows."""

from dataclasses import dataclass

from ctrecon.core.arguments import need
from ctrecon.record.part import Part
from ctrecon.record.pictures import FaceSeamPicture, SeamPicture, SlicePicture

__all__ = ["Measurement", "need_part"]


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


def need_part(value: object, by: str) -> None:
    """Refuse what is not a record, in one sentence.

    Raises
    ------
    WrongTypeError
        If it is none.
    """
    is_more = isinstance(value, Measurement)
    need(value, Part, by, cure="give its part" if is_more else "read one with read_part, or measure one")
