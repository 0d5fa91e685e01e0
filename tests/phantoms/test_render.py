"""Rendering: volumes, faces and gaps against closed forms."""

import math
import time

import numpy as np
import pytest

from ctrecon.core.frames import axis_slopes, direction_from_slopes, rotation_to_part
from ctrecon.phantoms.render import Body, Placement, coverage, render
from ctrecon.phantoms.solids import Cylinder, Difference, Rectangle, Solid, Union, square, tube

_VOXEL = (0.08, 0.06, 0.05)
_SHAPE = (40, 70, 80)
_MIDDLE = (0.5 * 79 * 0.05, 0.5 * 69 * 0.06, 0.5 * 39 * 0.08)


def _volume(solid: Solid, placement: Placement) -> float:
    share = coverage(solid, placement=placement, shape=_SHAPE, voxel_mm=_VOXEL)
    return float(share.sum(dtype=float)) * math.prod(_VOXEL)


@pytest.mark.parametrize("tilt", [0.0, 1.3, 6.0, 37.0])
@pytest.mark.parametrize(
    ("solid", "volume"),
    [
        (Cylinder(diameter=2.3, z_from=-0.7, z_to=0.6), math.pi / 4 * 2.3**2 * 1.3),
        (tube(outer=2.4, inner=1.1, z_from=-0.5, z_to=0.6), math.pi / 4 * (2.4**2 - 1.1**2) * 1.1),
        (square(flats=1.7, z_from=-0.6, z_to=0.6, turn_deg=21.0), 1.7**2 * 1.2),
        (
            Rectangle(long=2.0, short=1.2, z_from=-0.5, z_to=0.5, turn_deg=40.0, corner_radius=0.3),
            2.0 * 1.2 - (4 - math.pi) * 0.3**2,
        ),
        # Frustum: pi h / 3 (R² + R r + r²).
        (Cylinder(diameter=2.0, z_from=-0.5, z_to=0.5, taper=0.4), math.pi / 3 * (1.1**2 + 1.1 * 0.9 + 0.9**2)),
    ],
)
def test_rendered_volume_is_the_closed_form(solid: Solid, volume: float, tilt: float) -> None:
    """The grey of the whole stack adds up to the volume of the body, at any tilt."""
    placement = Placement(
        centre_xyz=tuple(m + 0.013 for m in _MIDDLE), tilt_deg=tilt, towards_deg=33.0, turn_deg=12.0  # type: ignore[arg-type]
    )
    # 4e-4 of these bodies is 0.002 of a voxel over their skin.
    assert _volume(solid, placement) == pytest.approx(volume, rel=4e-4)


@pytest.mark.parametrize("offset", [0.0, 0.013, 0.04, 0.0799])
def test_a_flat_face_is_exact_wherever_it_cuts_the_voxel(offset: float) -> None:
    """A face square to z leaves exactly the covered share in its slice, so depth ends carry no step error."""
    top = 0.8 + offset
    block = Cylinder(diameter=50.0, z_from=-50.0, z_to=top)
    share = coverage(block, placement=None, shape=_SHAPE, voxel_mm=_VOXEL)
    column = share[:, 35, 40].astype(float)
    assert column.sum() * 0.08 == pytest.approx(top + 0.04, abs=1e-6)
    assert (np.minimum(column, 1 - column) > 1e-3).sum() <= 1, "one slice at most is partly covered"


@pytest.mark.parametrize("voxels", [0.02, 0.2, 0.9])
@pytest.mark.parametrize("tilt", [0.0, 1.7])
def test_a_thin_gap_takes_away_exactly_its_thickness(voxels: float, tilt: float) -> None:
    """Air in a square seam far thinner than a voxel adds up to its closed-form volume."""
    gap = voxels * 0.055
    placement = Placement(centre_xyz=_MIDDLE, tilt_deg=tilt, towards_deg=70.0, turn_deg=23.0)
    boss = square(flats=1.2, z_from=-0.6, z_to=0.6)
    hole = square(flats=1.2 + 2 * gap, z_from=-1.0, z_to=1.0)
    disc = Cylinder(diameter=2.6, z_from=-0.6, z_to=0.6)
    pieces = (Body(name="boss", solid=boss), Body(name="disc", solid=Difference(disc, (hole,))))
    rng = np.random.default_rng(0)
    apart = render(pieces, placement=placement, shape=_SHAPE, voxel_mm=_VOXEL, rng=rng)
    whole = render((Body(name="disc", solid=disc),), placement=placement, shape=_SHAPE, voxel_mm=_VOXEL, rng=rng)
    # Ten slices well inside the metal, so that the rims of the end faces play no part.
    lost = float((whole - apart)[15:25].sum(dtype=float)) * math.prod(_VOXEL)
    expected = ((1.2 + 2 * gap) ** 2 - 1.2**2) * 10 * 0.08 / math.cos(math.radians(tilt))
    assert lost == pytest.approx(expected, rel=0.01)


def test_pieces_that_touch_leave_no_seam() -> None:
    """Without a gap two pieces of equal grey fill every voxel between them."""
    placement = Placement(centre_xyz=_MIDDLE, tilt_deg=2.0, towards_deg=10.0, turn_deg=31.0)
    boss = square(flats=1.2, z_from=-0.6, z_to=0.6)
    disc = Cylinder(diameter=2.6, z_from=-0.6, z_to=0.6)
    inner = Cylinder(diameter=2.2, z_from=-0.4, z_to=0.4)
    pieces = (Body(name="boss", solid=boss), Body(name="disc", solid=Difference(disc, (boss,))))
    both = render(pieces, placement=placement, shape=_SHAPE, voxel_mm=_VOXEL, rng=np.random.default_rng(0))
    inside = coverage(inner, placement=placement, shape=_SHAPE, voxel_mm=_VOXEL) == 1
    assert inside.sum() > 5000
    assert both[inside].min() > 0.9999


def test_a_round_section_has_its_area() -> None:
    """One slice across a cylinder covers pi r², and its middle lies where it was put."""
    placement = Placement(centre_xyz=(2.03, 1.98, 1.5))
    solid = Cylinder(diameter=2.5, z_from=-5.0, z_to=5.0)
    plane = coverage(solid, placement=placement, shape=_SHAPE, voxel_mm=_VOXEL)[10].astype(float)
    assert plane.sum() * 0.06 * 0.05 == pytest.approx(math.pi / 4 * 2.5**2, rel=1e-4)
    assert (plane.sum(0) @ np.arange(80)) / plane.sum() * 0.05 == pytest.approx(2.03, abs=1e-4)
    assert (plane.sum(1) @ np.arange(70)) / plane.sum() * 0.06 == pytest.approx(1.98, abs=1e-4)


def test_the_lean_is_the_smallest_rotation() -> None:
    """Placement and the part frame of the record agree, though they are written apart."""
    placement = Placement(centre_xyz=(0.0, 0.0, 0.0), tilt_deg=4.0, towards_deg=125.0)
    slopes = axis_slopes(placement.direction())
    assert np.allclose(direction_from_slopes(*slopes), placement.direction(), atol=1e-12)
    assert np.allclose(rotation_to_part(placement.direction()), placement.matrix().T, atol=1e-12)


def test_a_flipped_part_is_turned_over_not_mirrored() -> None:
    """Turning a part over is a rotation: it keeps right hands right."""
    placement = Placement(centre_xyz=(0.0, 0.0, 0.0), tilt_deg=3.0, towards_deg=50.0, turn_deg=77.0, flipped=True)
    assert np.linalg.det(placement.matrix()) == pytest.approx(1.0)
    assert placement.matrix()[2, 2] < 0


def test_a_large_hub_renders_in_seconds() -> None:
    """A hub in 100 x 200 x 200 voxels takes less than four seconds."""
    placement = Placement(centre_xyz=(5.0, 6.0, 1.5), tilt_deg=1.3, towards_deg=40.0)
    hub = Difference(
        Union((Cylinder(diameter=9.0, z_from=0.0, z_to=2.0), Cylinder(diameter=6.0, z_from=0.0, z_to=4.5))),
        (Cylinder(diameter=2.4, z_from=-1.0, z_to=6.0),),
    )
    start = time.perf_counter()
    coverage(hub, placement=placement, shape=(100, 200, 200), voxel_mm=_VOXEL)
    assert time.perf_counter() - start < 4.0
