"""Corrosion product on the metal: which boundary is measured, and that the record says so."""

import numpy as np
import pytest
from scipy.special import ndtr

from ctrecon.core.errors import InputError
from ctrecon.grey.levels import find_levels
from ctrecon.grey.product import find_product_levels
from ctrecon.measuring import measure_stack
from ctrecon.settings import Settings
from ctrecon.slices import SliceStack

CRUST = 0.45
SOUND, OUTER = 47.3, 60.8


def crusted(crust: float = CRUST, *, slices: int = 10, snr: float = 20.0, half: bool = False) -> SliceStack:
    """Return a disc of sound metal in a crust (on one half of it only, if `half`), invented grey values."""
    rng = np.random.default_rng(77)
    y, x = np.mgrid[:96, :96].astype(float)
    rho = np.hypot(x - 47.3, y - 48.1)
    skin = ndtr((OUTER / 2 - rho) / 0.85)
    metal = ndtr((SOUND / 2 - rho) / 0.85)
    skin = np.where(x > 47.3, skin, metal) if half else skin
    grey = crust * skin + (1 - crust) * metal
    volume = np.zeros((slices + 8, 96, 96))
    volume[4:-4] = grey
    volume += rng.normal(0, 1 / snr, volume.shape)
    return SliceStack.from_array((9000 + 21000 * volume).astype(np.float32), voxel_mm=(0.1, 0.1, 0.1), source="crusted")


@pytest.mark.parametrize(("boundary", "true"), [("metal", SOUND), ("outer", OUTER)])
def test_either_boundary_is_measured(boundary: str, true: float) -> None:
    """The diameter is that of the sound metal or of the crust, as asked, and the record names it."""
    part = measure_stack(crusted(), boundary=boundary).part
    found = [f for f in part.of_kind("round_outside") if abs(f.diameter_mm.value - true / 10) < 0.05]
    assert len(found) == 1
    error = abs(found[0].diameter_mm.value - true / 10)
    assert error < max(3 * found[0].diameter_mm.u, 0.0015)
    assert part.boundary == boundary
    says = next(w.says for w in part.warnings if w.flag == "corrosion_product")
    assert ("sound metal" in says.split(";")[-1]) == (boundary == "metal")


def test_half_a_crust_leaves_the_sound_diameter() -> None:
    """Where crust covers half of the rim only, the sound metal's diameter still comes out within its U or a flag."""
    part = measure_stack(crusted(half=True)).part
    found = min(part.of_kind("round_outside"), key=lambda f: abs(f.diameter_mm.value - SOUND / 10))
    assert abs(found.diameter_mm.value - SOUND / 10) < 0.02


def test_two_populations_stay_two() -> None:
    """No crust is seen in clean metal, in cupped metal or where a paler holder stands beside the part."""
    y, x = np.mgrid[:96, :96].astype(float)
    rng = np.random.default_rng(4)
    rho = np.hypot(x - 48, y - 48)
    disc = ndtr((28 - rho) / 0.85)
    holder = 0.4 * ndtr((9 - np.hypot(x - 86, y - 48)) / 0.85)
    for grey in (disc, disc * (0.7 + 0.3 * np.minimum(rho / 28, 1) ** 2), np.maximum(disc, holder)):
        planes = [grey + rng.normal(0, 0.05, grey.shape) for _ in range(6)]
        assert find_product_levels(planes, 0.05) is None


def test_levels_of_three_populations() -> None:
    """Air, product and metal are found at their grey, also with a crust on one half only."""
    for half in (False, True):
        levels = find_levels(crusted(half=half))
        assert levels is not None
        assert levels.product == pytest.approx(9000 + 21000 * CRUST, abs=500)
        assert (levels.air, levels.metal) == pytest.approx((9000, 30000), abs=500)


def test_unknown_boundary_is_refused() -> None:
    """A boundary that does not exist is refused with the two that do."""
    with pytest.raises(InputError, match="metal, outer"):
        Settings(boundary="skin")
