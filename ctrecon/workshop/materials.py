"""The metals of the shop: density, elastic constants and a hint of yield, by table."""

from dataclasses import dataclass
from functools import cache

from ctrecon.core.errors import InputError
from ctrecon.workshop.tables import read_table

__all__ = ["Material", "mass_g", "material", "materials"]


@dataclass(frozen=True)
class Material:
    """A metal: density (g/cm3), modulus (GPa), Poisson's ratio, and yield (MPa) of its soft and its hard state.

    The elastic constants and the yield are typical values from memory, a hint only; `density_source` says whether
    the density was seen published.
    """

    key: str
    title: str
    density_g_cm3: float
    density_source: str
    e_gpa: float
    nu: float
    yield_soft_mpa: float
    yield_hard_mpa: float


@cache
def materials() -> dict[str, Material]:
    """Return the metals of the table by their key."""
    numbers = ("density_g_cm3", "e_gpa", "nu", "yield_soft_mpa", "yield_hard_mpa")
    return {
        row["key"]: Material(
            key=row["key"],
            title=row["title"],
            density_source=row["density_source"],
            **{name: float(row[name]) for name in numbers},
        )
        for row in read_table("materials")[1]
    }


def material(key: str) -> Material:
    """Return a metal by its key.

    Raises
    ------
    InputError
        If the table has no such metal.
    """
    found = materials().get(key)
    if found is None:
        raise InputError(f"there is no metal {key!r} in the table; choose from {', '.join(materials())}")
    return found


def mass_g(volume_mm3: float, key: str) -> float:
    """Return the mass (g) of a volume (mm3) of a metal.

    Examples
    --------
    >>> round(mass_g(60 * 40 * 1.5, "C36000"), 2)
    30.56
    """
    return volume_mm3 * material(key).density_g_cm3 / 1000
