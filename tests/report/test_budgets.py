"""The report's table of where uncertainty comes from, and what it says of the scan."""

from dataclasses import replace

import pytest

from ctrecon.core.measured import Measured
from ctrecon.record.part import ImageInfo, Part
from ctrecon.report.budgets import budget_rows, image_facts


@pytest.fixture
def budgeted(little_part: Part) -> Part:
    """The little record with the budget of its bore: 3, 4 and 12 parts in noise, blur and shared noise make 13."""
    origins = {"noise": 0.003, "blur": 0.004, "correlation": 0.012}
    bore = replace(little_part.features[0], diameter_mm=Measured(6.0, 0.013), budget={"diameter_mm": origins})
    return replace(little_part, features=(bore, *little_part.features[1:]))


def test_rows_show_every_origin_as_expanded_uncertainty(budgeted: Part) -> None:
    """Each part and the whole stand with k = 2, columns in one order, the unknown scale in words."""
    heads, means, rows = budget_rows(budgeted)
    assert heads == ["noise", "shared noise", "blur"]
    assert len(means) == 3
    (row,) = rows
    assert (row.id, row.quantity) == ("F1", "diameter")
    assert row.parts == ("0.00600", "0.02400", "0.00800")
    assert (row.scale, row.whole) == ("not known", "0.02600")


def test_a_known_scale_enters_the_whole(budgeted: Part) -> None:
    """With a scale known to 1 in 1000 its part is 2 x 0.006 mm, and the whole grows by it in squares."""
    known = replace(budgeted, stack=replace(budgeted.stack, scale_u_rel=(0.001, 0.001, 0.001)))
    (row,) = budget_rows(known)[2]
    assert row.scale == "0.01200"
    assert float(row.whole) == pytest.approx((0.026**2 + 0.012**2) ** 0.5, abs=6e-6)


def test_what_the_slices_are_like(little_part: Part) -> None:
    """Boundary, noise, blur and artefacts are said; what was not found out is left away."""
    facts = dict(image_facts(replace(little_part, image=ImageInfo(snr=18.2, psf_px=0.81, cupping_rel=0.12))))
    assert facts["Contrast over noise"] == "18.2"
    assert facts["Blur (sigma)"] == "0.81 voxel in the slice"
    assert facts["Artefacts, of the contrast"] == "cupping 12.0 %"
    assert "half-way" in facts["Boundary measured"]
    assert list(dict(image_facts(little_part))) == ["Boundary measured"]
