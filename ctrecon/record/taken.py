"""Which part of a larger stack a record was measured on."""

from dataclasses import dataclass
from typing import ClassVar

from ctrecon.core.measured import FINITE

__all__ = ["Taken"]


@dataclass(frozen=True, kw_only=True)
class Taken:
    """A part of a stack, all in the order slice, row, column.

    Parameters
    ----------
    first, of : (int, int, int)
        Where it begins in the whole, and the shape of the whole.
    joined, step : (int, int, int)
        How many voxels were joined into one, and how many lie from one to the next: more where some are passed over.
    """

    __pydantic_config__: ClassVar[dict[str, bool]] = FINITE
    first: tuple[int, int, int]
    of: tuple[int, int, int]
    joined: tuple[int, int, int]
    step: tuple[int, int, int]

    @property
    def says(self) -> str:
        """Return it in words."""
        whole = " x ".join(map(str, self.of))
        where = f"from slice {self.first[0]}, row {self.first[1]}, column {self.first[2]} of {whole}"
        if self.step == (1, 1, 1):
            return where
        how = f"every {self.step[0]}th slice" if self.joined[0] == 1 else f"{self.joined[0]} slices joined"
        return f"{where}; {how}, {self.joined[1]} x {self.joined[2]} voxels joined"
