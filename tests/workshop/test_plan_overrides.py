"""What the person decides is followed and checked again; what can't be done is refused with its reason."""

from collections.abc import Callable

import pytest

from ctrecon.core.errors import CtreconError
from ctrecon.workshop.plan.model import FAILS, GOOD, LOOK, Check, Plan

Planned = Callable[[str], Plan]


def _own(plan: Plan, topic: str, about: str) -> Check:
    (found,) = [one for one in plan.of(topic) if one.about == about and one.overridden]
    return found


def test_pins_stand_where_the_file_puts_them(small_text: str, planned: Planned) -> None:
    """Both places are kept, judged for one way only, drilled at those coordinates and said to be the person's choice."""
    plan = planned(small_text + '[overrides.pins]\n"upper/lower" = [[-17, -12], [17, 10]]\n')
    (one,) = plan.registrations
    assert [(pin.x, pin.y) for pin in one.pins] == [(-17.0, -12.0), (17.0, 10.0)]
    assert one.distance_mm == pytest.approx(40.497, abs=1e-3)  # √(34² + 22²)
    assert _own(plan, "register pins", "upper").state == GOOD
    drilled = {hole.id: (hole.x.value, hole.y.value) for hole in plan.set_ups[0].holes}
    a, b = drilled["P1"], drilled["P2"]
    assert (b[0] - a[0], b[1] - a[1]) == (pytest.approx(34), pytest.approx(22))


def test_one_pin_is_kept_and_the_other_found(small_text: str, planned: Planned) -> None:
    """The second pin goes as far from the first as its margins let it: into the corner across."""
    plan = planned(small_text + '[overrides.pins]\n"upper/lower" = [[-17, -12]]\n')
    first, second = plan.registrations[0].pins
    assert (first.x, first.y) == (-17.0, -12.0)
    assert second.x > 17 and second.y > 12


BAD: dict[str, tuple[str, str]] = {
    # name: (what is added to the file, words of the refusal)
    "pin on the edge": ('[overrides.pins]\n"upper/lower" = [[-19.9, -12], [17, 12]]\n', r"stand at \(-19.9, -12\): it is 0.88 mm too near to edge of"),
    "pin in a hole": ('[overrides.pins]\n"upper/lower" = [[0.5, 0.5], [17, 12]]\n', r"stand at \(0.5, 0.5\)"),
    "three pins": ('[overrides.pins]\n"upper/lower" = [[-17, -12], [17, 12], [3, 9]]\n', r"overrides.pins.upper/lower: 3 places are given"),
    "letters that are no fit": ('[overrides.fits]\n"upper.post" = "H7/zz9"\n', r"overrides.fits.upper.post: 'zz9'"),
    "plates never together": ('[overrides]\nset_ups = [["upper"], ["lower"]]\n', r"overrides.set_ups: no set-up drills P1 in"),
    "no drill thin enough": ("[stock]\ndrills_mm = [9.0]\n", r"no drill of the list is 3 mm or less for .*; the smallest is 9 mm"),
}  # fmt: skip


@pytest.mark.parametrize("name", BAD)
def test_what_cannot_be_done_is_refused(name: str, small_text: str, planned: Planned) -> None:
    """One sentence with what limits it, and no plan."""
    more, words = BAD[name]
    with pytest.raises(CtreconError, match=words) as refused:
        planned(small_text + more)
    assert "\n" not in str(refused.value)


def test_a_fit_is_followed_and_judged(small_text: str, planned: Planned) -> None:
    """H7/s6 at 2 mm is 4 to 20 µm of interference (ISO 286-2: H7 +10/0, s6 +20/+14): limits on both sheets, press told."""
    plan = planned(small_text + '[overrides.fits]\n"upper.post" = "H7/s6"\n')
    check = _own(plan, "fit", "upper")
    assert "H7/s6" in check.says
    assert "MPa" in check.why or "N" in check.why
    rows = {row.key: row.tolerance for piece in plan.pieces for row in piece.rows}
    assert rows["upper.post"] == "H7 (+0.010 / 0)"
    assert rows["pillar.tenon"] == "s6 (+0.020 / +0.014)"
    assert rows["lower.post"] == "H7 (+0.010 / 0)"
    assert rows["pillar.foot"] == "h6 (0 / -0.006)"


def test_a_fit_of_a_hole_that_nothing_fits_is_told(small_text: str, planned: Planned) -> None:
    """No part goes through the main hole, so its fit is not passed over in silence."""
    plan = planned(small_text + '[overrides.fits]\n"upper.main" = "H7/p6"\n')
    assert _own(plan, "fit", "upper").says == "The fit H7/p6 for upper.main is not used."


def test_stock_is_followed_and_judged(small_text: str, planned: Planned) -> None:
    """Thicker sheet is rubbed down, thinner fails, thicker rod is turned, a rod too thin fails with the reason."""
    plan = planned(small_text + "[overrides.stock]\nupper = 1.2\nspacer = 2.5\npillar = 6\nhub = 7\n")
    assert _own(plan, "stock", "upper").state == FAILS
    assert "0.300 mm thinner than the 1.500 mm found" in _own(plan, "stock", "upper").why
    spacer = _own(plan, "stock", "spacer")
    assert spacer.state == GOOD and "2.5 mm" in spacer.says and "to rub off" in spacer.says
    assert "round rod 6 mm" in _own(plan, "stock", "pillar").says
    hub = _own(plan, "stock", "hub")
    assert hub.state == FAILS and "the thickest is 7 mm" in hub.why
    bought = {part: one.what for one in plan.buy if one.group in ("sheet", "rod") for part in one.parts}
    assert "6 mm" in bought["pillar"] and "hub" not in bought


def test_set_ups_that_serve_are_followed(small_text: str, planned: Planned) -> None:
    """The same set-up, asked for in the file, is checked again and told as the person's choice, not as a fault."""
    check = _own(planned(small_text + '[overrides]\nset_ups = [["upper", "lower"]]\n'), "drilling", "upper")
    assert (check.state, check.says) == (GOOD, "1 set-up.")
    assert "Set by the file" in check.why


def test_margins_of_the_shop_move_the_pins(small_text: str, planned: Planned) -> None:
    """Pins of 1 mm keep three diameters from the edge where the shop asks for that: 20 - 3 and 15 - 3 at the most."""
    plan = planned(small_text + "[shop]\npin_edge_diameters = 3.0\n")
    for pin in plan.registrations[0].pins:
        assert abs(pin.x) <= 17.0 + 1e-6 and abs(pin.y) <= 12.0 + 1e-6
        assert abs(pin.x) > 16.5


def test_plates_alike_are_to_be_marked(small_text: str, planned: Planned) -> None:
    """Two plates alike to pins and outline can change places: that is to be looked at, with the way out, no dead end."""
    (check,) = [one for one in planned(small_text).of("register pins") if "each other's place" in one.says]
    assert check.state == LOOK
    assert "punch marks" in check.why


def test_square_arbor_is_cut_from_bar_of_its_flats(small_text: str, planned: Planned) -> None:
    """A part square all along is cut from square bar by its flats, not by its corners: 5 mm for 5 mm."""
    arbor = (
        '[parts.arbor]\nrole = "arbor"\naxis = "main"\nrests_on = "upper"\n'
        'steps = [{ name = "shaft", length_mm = 6, flats_mm = "5.0±0.01" }]\n'
    )
    (check,) = [one for one in planned(small_text.replace("[parts.hub]", arbor + "[parts.hub]")).of("stock") if one.about == "arbor"]
    assert "square rod 5 mm" in check.says


def test_a_slot_is_sawn_not_broached(small_text: str, planned: Planned) -> None:
    """A slot of 6 by 3 mm comes from a hole no wider than itself, saw and file; its sheet has both its sizes."""
    old = '{ axis = "main", diameter_mm = "3.0±0.01" }'
    plan = planned(small_text.replace(old, '{ axis = "main", size_mm = [6, 3], round_ends = true }'))
    step = next(one for one in plan.steps if one.id == "open-upper")
    (words,) = [one for one in step.does if one.lower().startswith("main")]
    assert "slot" in words and "3.00 by 6.00 mm" in words and "broach" not in words
    assert next(hole.drill_mm for hole in plan.set_ups[0].holes if hole.id == "main") <= 3.0
    rows = {row.key: (row.sign, row.to_make) for piece in plan.pieces if piece.part == "upper" for row in piece.rows}
    assert rows["upper.main"] == ("", 3.0) and rows["upper.main.long"] == ("", 6.0)
    assert rows["upper.post"][0] == "Ø"
