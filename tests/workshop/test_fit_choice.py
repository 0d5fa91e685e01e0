"""Which fit for which purpose, how well the scan must know the sizes, and which size of a feature governs."""

import numpy as np
import pytest

from ctrecon.core.measured import Measured
from ctrecon.fitting.roundness_zones import Zone, least_squares_circle, maximum_inscribed, minimum_circumscribed
from ctrecon.record.part import Feature
from ctrecon.workshop.errors import PlanError
from ctrecon.workshop.fits.choose import PURPOSES, choose_fit
from ctrecon.workshop.fits.sizes import fit_size


@pytest.mark.parametrize("size", [0.8, 1.5, 2.0, 3.0, 3.1, 5.0, 6.0, 9.0, 12.0, 25.0, 60.0, 80.0])
def test_every_purpose_is_served_by_the_limits(size: float) -> None:
    """At every size of the table the fit chosen does what it is for by its limits, and purposes go from loose to tight."""
    fits = {name: choose_fit(name, size).fit for name in PURPOSES}
    assert fits["runs freely"].clearance_min_mm > fits["slides"].clearance_min_mm > 0
    assert fits["located by hand"].clearance_min_mm == 0
    assert fits["light press"].clearance_min_mm < 0 and fits["light press"].clearance_max_mm + fits["light press"].clearance_min_mm < 0
    assert fits["press"].clearance_max_mm <= 0
    assert fits["full press"].clearance_max_mm < 0 and fits["full press"].clearance_min_mm < fits["press"].clearance_min_mm
    if size <= 3:
        # note of ANSI B4.2: H7/p6 is a transition fit up to 3 mm
        assert fits["press"].code == "H7/r6"
    else:
        assert fits["press"].code == "H7/p6"


def test_the_scan_must_know_the_size_better_than_the_fit_allows() -> None:
    """6 H7 allows 12 micrometres in all (ISO 286-1), +-6: a U of 5.9 is trusted, one of 6.1 is not."""
    assert choose_fit("slides", 6.0, hole=Measured(6.005, 0.00295)).trusted
    doubted = choose_fit("slides", 6.0, hole=Measured(6.005, 0.00305))
    assert not doubted.trusted
    assert "fit the two to each other, do not trust the number" in doubted.warnings[0]
    scale = choose_fit("slides", 6.0, hole=Measured(6.005, 0.0001), scale_u_rel=0.001)
    assert not scale.trusted
    assert not choose_fit("slides", 6.0, hole=Measured(6.005, 0.0001, 0.006)).trusted
    assert choose_fit("slides", 6.0, hole=Measured(6.005, 0.0001, 0.001), scale_u_rel=0.01).trusted
    assert not choose_fit("slides", 6.0, shaft=Measured(5.99)).trusted


def test_a_wished_fit_is_kept_and_told_where_it_fails() -> None:
    """H7/p6 asked for a press at 2 mm stays, with the warning that it is a transition fit there."""
    choice = choose_fit("press", 2.0, code="H7/p6")
    assert choice.fit.code == "H7/p6"
    assert "transition" in choice.warnings[0]
    assert choose_fit("press", 5.0, code="H7/s6").warnings == ()
    with pytest.raises(PlanError, match="choose from runs freely"):
        choose_fit("wobbles", 5.0)


def test_clearance_found() -> None:
    """Hole less shaft, scale errors of both cancel but for their difference (GUM F.1.2.3)."""
    choice = choose_fit("slides", 6.0, hole=Measured(6.010, 0.003), shaft=Measured(5.990, 0.004), scale_u_rel=0.01)
    assert choice.found_clearance is not None
    assert choice.found_clearance.value == pytest.approx(0.020)
    spread = choice.found_clearance.U
    assert spread == pytest.approx(2 * np.hypot(0.005, 0.0002))
    assert choice.agrees
    assert not choose_fit("slides", 6.0, hole=Measured(6.2, 0.003), shaft=Measured(5.99, 0.004)).agrees


def test_an_edge_out_of_place_moves_both_walls_of_both() -> None:
    """Edges 1 micrometre out: 2 on each diameter and 4 on the clearance, as both come closer (geometry, by hand)."""
    choice = choose_fit("slides", 6.0, hole=Measured(6.010, 0.0), shaft=Measured(5.990, 0.0), edge_u_mm=0.00101)
    assert choice.found_clearance is not None
    assert choice.found_clearance.u == pytest.approx(0.00404)
    assert not choice.trusted and len(choice.warnings) == 1 and "shaft g6" in choice.warnings[0]
    assert choose_fit("slides", 6.0, hole=Measured(6.010, 0.0), shaft=Measured(5.990, 0.0), edge_u_mm=0.00099).trusted


def feature(kind: str, roundness: float, **form: Measured) -> Feature:
    return Feature(
        id="F1", kind=kind, diameter_mm=Measured(6.0, 0.001), roundness_mm=Measured(roundness, 0.002),
        form={"roundness_mm": Measured(roundness, 0.002), "roundness_by_noise_mm": Measured(0.003, 0.001), **form},
    )  # fmt: skip


def test_which_size_governs() -> None:
    """Maximum inscribed for a hole, minimum circumscribed for a shaft (ISO 14405-1), the mean where noise explains the form."""
    form = {"inscribed_mm": Measured(5.985, 0.002), "circumscribed_mm": Measured(6.014, 0.002)}
    hole, shaft = fit_size(feature("round_hole", 0.03, **form)), fit_size(feature("round_outside", 0.03, **form))
    assert hole is not None and (hole.which, hole.governs.value) == ("maximum inscribed", 5.985)
    assert shaft is not None and (shaft.which, shaft.governs.value) == ("minimum circumscribed", 6.014)
    quiet = fit_size(feature("round_hole", 0.004, **form))
    assert quiet is not None and (quiet.which, quiet.governs.value) == ("least squares", 6.0)
    square = Feature(id="F2", kind="square_hole", flats_mm=Measured(5.0, 0.002), flats_pair_mm=(Measured(5.02, 0.002), Measured(4.98, 0.002)))
    sized = fit_size(square)
    assert sized is not None and (sized.which, sized.governs.value) == ("narrower flats", 4.98)
    assert fit_size(Feature(id="F3", kind="round_seam", diameter_mm=Measured(5.0, 0.1))) is None


def test_an_old_record_bounds_the_size() -> None:
    """On random out-of-round rims the exact circles (their own solver) lie in the bounds given by the roundness alone."""
    rng = np.random.default_rng(31)
    for _ in range(40):
        angle = np.linspace(0, 2 * np.pi, 90, endpoint=False)
        r = 3 + sum(rng.normal(0, 0.01) * np.cos(k * angle + rng.uniform(0, 6)) for k in range(2, 8))
        points = np.column_stack([r * np.cos(angle), r * np.sin(angle)])
        mean, inside, round_it = least_squares_circle(points), maximum_inscribed(points), minimum_circumscribed(points)
        assert isinstance(mean, Zone) and isinstance(inside, Zone) and isinstance(round_it, Zone)
        for kind, true in (("round_hole", inside), ("round_outside", round_it)):
            one = Feature(id="F1", kind=kind, diameter_mm=Measured(2 * mean.radius, 0.0), roundness_mm=Measured(mean.width, 0.001))
            sized = fit_size(one)
            assert sized is not None and sized.basis == "bounded"
            assert abs(sized.governs.value - 2 * true.radius) <= mean.width + 1e-9
            assert sized.governs.u == pytest.approx(mean.width / np.sqrt(3))
