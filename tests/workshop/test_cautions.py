"""Cautions by operation: each with its source, local rules first, and no country's limit as the limit."""

import re

import pytest

from ctrecon.workshop.cautions import OPERATIONS, cautions_for, dust_levels
from ctrecon.workshop.errors import PlanError


def keys_of(*operations: str, lead: float | None = 0.0) -> list[str]:
    return [one.key for one in cautions_for(operations, lead_percent=lead)]


@pytest.mark.parametrize("operation", OPERATIONS)
def test_every_operation_is_covered(operation: str) -> None:
    """Local rules come first, eyes next, and at least one caution is for the operation itself; all name a source."""
    found = cautions_for([operation])
    assert [one.key for one in found[:2]] == ["local_rules", "eyes"]
    assert len(found) > 2
    assert all(one.text.endswith(".") and one.source and one.reason for one in found)


def test_cautions_go_by_what_is_done() -> None:
    """Thin sheet brings its own caution and those of drilling; lathe emery those of turning; a press its own."""
    assert {"thin_sheet", "clamp", "swarf", "caught"} <= set(keys_of("drill_thin"))
    assert "thin_sheet" not in keys_of("drill")
    assert {"emery", "loose"} <= set(keys_of("lathe_emery"))
    assert "press" in keys_of("press") and "press" not in keys_of("drill")
    assert "air" in keys_of("compressed_air")
    assert "hammer" in keys_of("rivet")
    assert keys_of("drill", "drill") == keys_of("drill")


def test_lead_by_what_the_metal_holds() -> None:
    """Leaded or unknown brass brings the caution; lead-free does not, and neither does a press stroke."""
    assert "lead" in keys_of("rub", lead=3.7)
    assert "lead" in keys_of("rub", lead=None)
    assert "lead" not in keys_of("rub", lead=0.05)
    assert "lead" not in keys_of("press", lead=3.7)
    unknown = next(one for one in cautions_for(["rub"], lead_percent=None) if one.key == "lead")
    assert "may have lead" in unknown.text
    assert unknown.reason == "the lead content is not known"


def test_no_countrys_limit_is_the_limit() -> None:
    """Where levels of lead in air are printed, all three published ones stand beside each other (they differ and change)."""
    for operation in OPERATIONS:
        for lead in (0.0, None, 3.0):
            for one in cautions_for([operation], lead_percent=lead):
                if "µg/m³" in one.text or "mg/m³" in one.text:
                    assert all(re.search(rf"\b{level}\b", one.text) for level in (30, 50, 150))
                    assert "differ and change" in one.text
                assert not re.search(r"\b(the|legal) limit\b", one.text)


def test_dust_that_brings_a_level() -> None:
    """At 3 % lead 50 µg/m³ is met at 1.67 mg/m³ of brass dust, 150 at 5.0 and 30 at 1.0 (worked from the three levels)."""
    found = {one.lead_ug_m3: one.dust_mg_m3 for one in dust_levels(3.0)}
    assert found == pytest.approx({30: 1.0, 50: 1.667, 150: 5.0}, abs=1e-3)
    assert min(one.dust_mg_m3 for one in dust_levels(3.7)) == pytest.approx(0.811, abs=1e-3)
    assert all("may have changed" in one.reason for one in dust_levels(3.0))


def test_unknown_operations_and_impossible_lead_are_refused() -> None:
    """Each with a sentence that names what may be given."""
    with pytest.raises(PlanError, match="no cautions for 'fly'"):
        cautions_for(["fly"])
    with pytest.raises(PlanError, match="does not exist"):
        cautions_for(["rub"], lead_percent=120)
    with pytest.raises(PlanError, match="brings no level"):
        dust_levels(0)
