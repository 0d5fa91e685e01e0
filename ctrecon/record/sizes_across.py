"""The sizes a feature may have across its axis: where each stands in the record, and how it is called."""

from dataclasses import dataclass

__all__ = [
    "ACROSS_FLAT", "DIAMETER", "FLATS", "FLATS_1", "FLATS_2", "LONG", "ROOT", "SHORT",
    "SQUARE_FLATS", "TIP", "Size",
]  # fmt: skip


@dataclass(frozen=True)
class Size:
    """One size across the axis.

    Parameters
    ----------
    quantity : str
        Its name in `Feature.sensitivity`: such as diameter_mm, flats_pair_mm_1.
    typed : str
        What a person writes after the point of ``F3.diameter``.
    words, sheet, label : str
        How it reads in a sentence, in the sheet's table of features, and in the report.
    is_detail : bool
        Whether it only says another size of the kind more finely.
    """

    quantity: str
    typed: str
    words: str
    sheet: str
    label: str
    is_detail: bool = False

    @property
    def field(self) -> str:
        """The field of `Feature` it stands in."""
        return self.quantity.removesuffix("_1").removesuffix("_2")


DIAMETER = Size("diameter_mm", "diameter", "diameter", "Ø", "diameter")
FLATS = Size("flats_mm", "flats", "flats", "flats", "across flats")
SQUARE_FLATS = Size("flats_mm", "flats", "flats", "□ flats", "across flats")
ACROSS_FLAT = Size("flats_mm", "flats", "across the flat", "across flat", "across the flat")
FLATS_1 = Size("flats_pair_mm_1", "flats1", "first flats", "", "flats, pair at the turn", is_detail=True)
FLATS_2 = Size("flats_pair_mm_2", "flats2", "other flats", "", "flats, other pair", is_detail=True)
LONG = Size("flats_pair_mm_1", "long", "long side", "long side", "longer")
SHORT = Size("flats_pair_mm_2", "short", "short side", "short side", "shorter")
TIP = Size("tip_diameter_mm", "tip", "tip diameter", "tip Ø", "tip diameter")
ROOT = Size("root_diameter_mm", "root", "root diameter", "root Ø", "root diameter")
