"""The one size by which a feature is known: printed with its U, or taken as a number."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from ctrecon.core.measured import Measured

if TYPE_CHECKING:
    from ctrecon.record.part import Feature

__all__ = ["MainSize", "main_size_of"]

_MAIN_SIZES = (
    "diameter_mm", "flats_mm", "flats_pair_mm", "tip_diameter_mm", "cross_diameter_mm", "area_mm2", "seam_mm",
)  # fmt: skip


@dataclass(frozen=True)
class MainSize:
    """The main size of a feature: one number, two for a rectangle, or the reason why there is none.

    Parameters
    ----------
    quantity : str
        The field of `Feature` it stands in, which names the unit too.
    values : tuple of Measured
        One, or the longer and the shorter side; empty where it is unknown.
    why : str
        Why it is unknown.

    Notes
    -----
    Its text is that of `Measured`, so ``f"{feature.size}"`` and ``f"{feature.size:.3f}"`` never fail. `float` gives
    the (longer) value, NaN where it is unknown.

    Examples
    --------
    >>> from ctrecon import read_part
    >>> part = read_part("drum_hub_out/part.json")
    >>> f"{part['F1'].size:.3f}", float(part["F1"].size), part["F1"].size.U
    ('6.401 ± 0.002', 6.4012, 0.0018)
    """

    quantity: str
    values: tuple[Measured, ...] = ()
    why: str = ""

    @property
    def value(self) -> float:
        """The value, of two the longer; NaN where it is unknown."""
        return self.values[0].value if self.values else float("nan")

    @property
    def U(self) -> float | None:
        """Expanded uncertainty (k = 2) of the value, as `Measured.U`; None where it is unknown."""
        return self.values[0].U if self.values else None

    def __float__(self) -> float:
        return float(self.value)

    def __str__(self) -> str:
        return format(self, "")

    def __format__(self, spec: str) -> str:
        unit = " mm²" if self.quantity.endswith("_mm2") else ""  # an area must not be taken for a length
        return " x ".join(f"{format(one, spec)}{unit}" for one in self.values) or "unknown"


def main_size_of(feature: "Feature") -> MainSize:
    """Return the first size the feature has in the order diameter, flats, sides, tips, area, thickness of a gap."""
    for name in _MAIN_SIZES:
        found = getattr(feature, name)
        if found is not None:
            return MainSize(name, found if isinstance(found, tuple) else (found,))
        if name in feature.unknown:
            return MainSize(name, why=feature.unknown[name])
    return MainSize("", why="it carries no size")
