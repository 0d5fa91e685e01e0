"""Press fits against published Lamé cases, and the constants of both cylinders solved as a linear system."""

from dataclasses import replace

import numpy as np
import pytest

from ctrecon.core.errors import InputError
from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.fits.iso286 import fit_of
from ctrecon.workshop.fits.press import press_fit, press_range, square_press
from ctrecon.workshop.materials import Material, mass_g, material, materials


def metal(e_gpa: float, nu: float) -> Material:
    return replace(material("steel"), e_gpa=e_gpa, nu=nu)


CASES = [
    # name, bore, joint, outside, interference, hub, shaft, pressure, hub hoop, shaft hoop at the joint
    ("A: Boresi & Schmidt, Advanced Mechanics of Materials, composite cylinder (printed 189.1)", 20, 50, 100, 0.144, (200, 0.29), (200, 0.29), 189.00, 315.0, -261.0),
    ("B: web worked example 50/80", 0, 50, 80, 0.04, (200, 0.3), (200, 0.3), 48.750, 111.25, -48.75),
    ("C: web example 50/100", 0, 50, 100, 0.05, (200, 0.3), (200, 0.3), 75.000, 125.0, -75.0),
    ("D: posted shrink fit, its printed 16.9 MPa is wrong", 100, 150, 300, 0.05, (200, 0.28), (200, 0.28), 15.625, 26.042, -40.625),
    ("E: two metals", 100, 200, 350, 0.2, (200, 0.28), (80, 0.33), 35.769, 70.455, -59.616),
    ("F: steel pin in a brass boss", 0, 3, 6, 0.010, (100, 0.35), (207, 0.292), 141.321, 235.54, -141.32),
    ("G: hollow steel in bronze", 6, 10, 20, 0.020, (110, 0.34), (207, 0.292), 73.808, 123.01, -156.84),
]


@pytest.mark.parametrize("case", CASES, ids=lambda one: one[0][0])
def test_published_cases(case: tuple) -> None:  # type: ignore[type-arg]
    """Pressure and hoop stresses of the seven cases."""
    _, bore, d, outside, delta, hub, shaft, p, hoop, inner = case
    found = press_fit(diameter_mm=d, hub_outside_mm=outside, shaft_bore_mm=bore, interference_mm=delta, hub=metal(*hub), shaft=metal(*shaft), length_mm=40)
    assert found.pressure_mpa == pytest.approx(p, rel=3e-5)
    assert found.hub_hoop_mpa == pytest.approx(hoop, rel=3e-4)
    assert found.shaft_hoop_mpa == pytest.approx(inner, rel=3e-4)


def test_force_and_torque() -> None:
    """Cases B (45 946 N, 1148.6 N m) and C (70 685.8 N, 1767.15 N m) as published."""
    b = press_fit(diameter_mm=50, hub_outside_mm=80, interference_mm=0.04, hub=metal(200, 0.3), shaft=metal(200, 0.3), length_mm=40, friction=0.15)
    c = press_fit(diameter_mm=50, hub_outside_mm=100, interference_mm=0.05, hub=metal(200, 0.3), shaft=metal(200, 0.3), length_mm=50, friction=0.12)
    assert (b.axial_force_n, b.torque_nmm) == (pytest.approx(45946, abs=1), pytest.approx(1148.6e3, abs=60))
    assert (c.axial_force_n, c.torque_nmm) == (pytest.approx(70685.8, abs=0.1), pytest.approx(1767.15e3, abs=10))


def solved(bore: float, d: float, outside: float, delta: float, hub: Material, shaft: Material) -> tuple[float, float, float]:
    """Return pressure, hub hoop and shaft bore hoop from the constants A, B of sigma = A -+ B/r² in both cylinders."""
    a, c, b = bore / 2, d / 2, outside / 2
    es, eh = shaft.e_gpa * 1000, hub.e_gpa * 1000

    def move(r: float, e: float, nu: float) -> list[float]:
        return [r * (1 - nu) / e, (1 + nu) / (e * r)]  # u_r for A and B, plane stress

    rows = np.array([
        [1, -1 / a**2, 0, 0],
        [0, 0, 1, -1 / b**2],
        [1, -1 / c**2, -1, 1 / c**2],
        [*(-np.array(move(c, es, shaft.nu))), *move(c, eh, hub.nu)],
    ])  # fmt: skip
    A1, B1, A2, B2 = np.linalg.solve(rows, [0, 0, 0, delta / 2])
    return float(-(A2 - B2 / c**2)), float(A2 + B2 / c**2), float(A1 + B1 / a**2)


def test_against_the_linear_system() -> None:
    """Random hollow joints of two metals agree with the boundary conditions solved as a 4 x 4 system."""
    rng = np.random.default_rng(41)
    for _ in range(50):
        bore, d, outside = np.cumsum(rng.uniform(1, 6, 3))
        hub, shaft = metal(rng.uniform(60, 210), rng.uniform(0.2, 0.4)), metal(rng.uniform(60, 210), rng.uniform(0.2, 0.4))
        found = press_fit(diameter_mm=d, hub_outside_mm=outside, shaft_bore_mm=bore, interference_mm=0.01, hub=hub, shaft=shaft, length_mm=5)
        p, hoop, at_bore = solved(bore, d, outside, 0.01, hub, shaft)
        assert (found.pressure_mpa, found.hub_hoop_mpa, found.shaft_bore_hoop_mpa) == (pytest.approx(p), pytest.approx(hoop), pytest.approx(at_bore))
        assert found.hub_equivalent_mpa == pytest.approx(hoop + p)


def test_roughness_takes_interference_away() -> None:
    """0.8 (Rz + Rz) is lost (DIN 7190, from memory): 10 micrometres with Rz 2 and 3 leave 6; with Rz 8 and 8 nothing."""
    common = {"diameter_mm": 3.0, "hub_outside_mm": 6.0, "interference_mm": 0.010, "hub": material("C36000"), "shaft": material("steel"), "length_mm": 4.0}
    smooth, rough = press_fit(**common), press_fit(**common, rz_hub_um=2, rz_shaft_um=3)  # type: ignore[arg-type]
    assert rough.effective_mm == pytest.approx(0.006)
    assert rough.pressure_mpa == pytest.approx(0.6 * smooth.pressure_mpa)
    assert "would not hold" in press_fit(**common, rz_hub_um=8, rz_shaft_um=8).reason  # type: ignore[arg-type]
    assert smooth.yields == ("hub",)
    assert "gives way" in smooth.reason


def test_ends_of_a_fit() -> None:
    """10 H7/s6 has 8 to 32 micrometres of interference (ANSI B4.2); a fit that may come out loose is refused."""
    found = press_range(fit_of(10, "H7/s6"), hub_outside_mm=20, hub=material("C36000"), shaft=material("steel"), length_mm=6)
    assert (found.least.interference_mm, found.most.interference_mm) == (pytest.approx(0.008), pytest.approx(0.032))
    assert found.most.pressure_mpa == pytest.approx(4 * found.least.pressure_mpa)
    with pytest.raises(PlanError, match="may come out loose"):
        press_range(fit_of(2, "H7/p6"), hub_outside_mm=6, hub=material("C36000"), shaft=material("steel"), length_mm=4)
    touching = press_range(fit_of(4, "H7/p6"), hub_outside_mm=8, hub=material("C36000"), shaft=material("steel"), length_mm=4)
    assert "next to nothing" in touching.reason


def test_square_joint_is_a_range_with_its_reason() -> None:
    """12/6 leaves 1.757 at the corners (closed form); 9/6.35 leaves 0.0099 and is refused; the range stays under a third of a round joint's."""
    brass, steel = material("C36000"), material("steel")
    found = square_press(flats_mm=6, hub_outside_mm=12, hub=brass, shaft=steel)
    assert found.corner_wall_mm == pytest.approx(1.7574, abs=1e-4)
    assert found.least_mm == 0 < found.most_mm < 0.01
    at_most = press_fit(diameter_mm=6 * 2**0.5, hub_outside_mm=12, interference_mm=found.most_mm, hub=brass, shaft=steel, length_mm=1)
    assert at_most.hub_equivalent_mpa * 3 == pytest.approx(brass.yield_soft_mpa)
    # hub and solid shaft of one metal: E delta / d is the largest difference of stresses, whatever the outside (Lamé, by hand)
    alike = [square_press(flats_mm=6, hub_outside_mm=wide, hub=brass, shaft=brass).most_mm for wide in (11, 16, 40)]
    assert alike == pytest.approx([6 * 2**0.5 * 125 / 100e3 / 3] * 3)
    with pytest.raises(PlanError, match=r"leaves 0\.010 mm at the corners"):
        square_press(flats_mm=6.35, hub_outside_mm=9, hub=brass, shaft=steel)


@pytest.mark.parametrize(("change", "words"), [({"hub_outside_mm": 3.0}, "no metal round"), ({"shaft_bore_mm": 3.0}, "can't have a bore"), ({"interference_mm": 0.0}, "above 0"), ({"length_mm": 0.0}, "above 0"), ({"interference_mm": float("nan")}, "above 0")])
def test_no_joint_is_refused(change: dict[str, float], words: str) -> None:
    """Sizes that make no joint are refused in a sentence."""
    common = {"diameter_mm": 3.0, "hub_outside_mm": 6.0, "interference_mm": 0.010, "length_mm": 4.0}
    with pytest.raises(PlanError, match=words):
        press_fit(**{**common, **change}, hub=material("C36000"), shaft=material("steel"))


def test_masses() -> None:
    """60 x 40 x 1.5 of C36000 weighs 30.56 g, a 3 mm ring of 10 with a 5 mm square hole 1.364 g; a property site's 8.2 would be 3 % off."""
    assert mass_g(60 * 40 * 1.5, "C36000") == pytest.approx(30.56, abs=0.005)
    assert mass_g((np.pi * 25 - 25) * 3, "C36000") == pytest.approx(1.364, abs=0.0005)
    # lb/in3 of the copper trade's own data sheets x 27.6799
    published = {"C26000": 0.308, "C28000": 0.303, "C36000": 0.307, "C38500": 0.305, "C46400": 0.304}
    for key, lb_in3 in published.items():
        assert materials()[key].density_g_cm3 == pytest.approx(lb_in3 * 27.6799, rel=0.002)
    with pytest.raises(InputError, match="choose from C26000"):
        material("unobtainium")
