"""Planning as plain state, and its panels bound to it, without a browser; gaps and distances are worked out by hand."""

import shutil
import tomllib
from pathlib import Path
from typing import Any

import ipywidgets as ipw
import pytest
from shapely import Point

from ctrecon.core.errors import InputError, InputFileError
from ctrecon.widgets import Planning, plan_made_sizes, plan_pins, plan_save, plan_stack, plan_steps
from ctrecon.widgets.plan_state import BUSY
from ctrecon.widgets.plan_words import part_rows
from ctrecon.workshop.plan import compose

PANELS = [plan_stack, plan_pins, plan_made_sizes, plan_steps, plan_save]
PNG = b"\x89PNG"


@pytest.fixture
def planning(tmp_path: Path) -> Planning:
    """Return the planning of two typed plates with a collar of 2.8 mm in a gap of 3 mm."""
    return Planning(shutil.copy(Path(__file__).parent / "two_plates.toml", tmp_path))


def walk(widget: Any) -> list[Any]:
    return [widget, *(one for child in getattr(widget, "children", ()) for one in walk(child))]


def find(widget: Any, kind: type, description: str) -> Any:
    return next(one for one in walk(widget) if isinstance(one, kind) and one.description == description)


def text_of(widget: Any) -> str:
    return " ".join(one.value.replace("<wbr>", "") for one in walk(widget) if isinstance(one, ipw.HTML))


def places(planning: Planning) -> dict[str, Point]:
    return {pin.id: Point(pin.x, pin.y) for pair in planning.plan.registrations for pin in pair.pins}


def test_a_made_size_closes_the_gap(planning: Planning) -> None:
    """A collar of 3.05 in 3.00 mm is 0.05 too thick, and 0.25 off brings the shake to the middle of 0.1 to 0.3."""
    planning.make_size("collar.thickness", " 3.05±0.01 ")
    says = " ".join(planning.what_changed())
    assert "gap -0.050 mm, wanted 0.10 to 0.30: it is too small" in says
    assert "thickness of collar: 0.25 mm off" in says
    assert "New step: Adjust (collar)" in says
    assert planning.notice == "Thickness of collar: made, 3.05±0.01 mm; planned anew."
    row = next(one for one in part_rows(planning.assembly) if one[0] == "collar")
    assert row == ("collar", "spacer", "2.00 to 5.05", "3.050 ± 0.010", "made")
    planning.make_size("collar.thickness", None)
    assert planning.plan.steps == planning.first.steps
    with pytest.raises(InputError, match="there is nothing to take out"):
        planning.make_size("collar.thickness", None)


def test_pins_give_way_to_a_keep_out(planning: Planning) -> None:
    """Put where a pin stood, the keep-out drives it out: no pin's hole comes nearer than the shop's margin."""
    old = places(planning)
    planning.move_keep_out("name plate", 11.0, 6.0)
    new = places(planning)
    shape = planning.keep_out("name plate").shape
    assert shape.centroid.distance(Point(11.0, 6.0)) < 1e-6
    assert shape.distance(old["P2"]) < 0.5
    radius = max(pin.entry_mm for pin in planning.plan.registrations[0].pins) / 2
    assert min(shape.distance(one) for one in new.values()) >= planning.assembly.shop.keep_out_margin_mm + radius - 1e-6
    assert any("moves from" in one for one in planning.what_changed())


def test_more_metal_at_the_edge_moves_the_pins_in(planning: Planning) -> None:
    """With 3 mm asked for, no hole has less between itself and the edge of a plate."""
    planning.set_habit("edge_margin_mm", 3.0)
    for pin in planning.plan.registrations[0].pins:
        for plate in planning.assembly.plates:
            assert plate.outline.exterior.distance(Point(pin.x, pin.y)) >= 3.0 + pin.entry_mm / 2


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda p: p.set_habit("edge_margin_mm", 9.8), "no place for a pin"),
        (lambda p: p.make_size("collar.thicknes", "1.0"), "there is no such size; did you mean collar.thickness?"),
        (lambda p: p.make_size("collar.thickness", ""), "No size is typed; give mm"),
        (lambda p: p.make_size("collar.thickness", "thick"), "'thick' is no size"),
        (lambda p: p.move_keep_out("plate", 0, 0), "There is no keep-out 'plate'"),
        (lambda p: p.tick("sing"), "The plan has no step 'sing'"),
        (lambda p: p.decide("pin", "a/b", []), "did you mean pins?"),
    ],
)
def test_what_is_refused_leaves_the_last_good_plan(planning: Planning, change: Any, says: str) -> None:
    """One sentence says why; file, plan and what can be taken back are as they were."""
    heard: list[str] = []
    planning.on_change(heard.append)
    plan, file = planning.plan, planning.file
    assert not planning.attempt(lambda: change(planning))
    assert says in planning.notice
    assert "\n" not in planning.notice
    assert (planning.plan, planning.file) == (plan, file)
    assert "plan" not in heard
    assert not planning.undo()


def test_ticked_steps_stay_done_and_pins_stay_where_they_are(
    planning: Planning, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The next step follows; ticking seeks no pins anew, and what it takes over is what a fresh plan finds."""
    sought: list[object] = []
    seek = compose.register
    monkeypatch.setattr(compose, "register", lambda assembly: sought.append(assembly) or seek(assembly))
    before = planning.plan
    first = before.next_step
    assert first is not None
    planning.tick(first.id)
    assert planning.plan.next_step == before.steps[1]
    assert planning.plan.registrations == before.registrations
    assert sought == []
    fresh = Planning(planning.save(planning.file.path.with_name("ticked.toml")))
    assert len(sought) == 1
    assert fresh.plan.registrations == planning.plan.registrations
    assert fresh.plan.checks == planning.plan.checks
    assert [one.done for one in fresh.plan.steps] == [one.done for one in planning.plan.steps]
    planning.tick(first.id, False)
    assert planning.plan.next_step == first


def test_undo_and_redo_walk_through_all_changes(planning: Planning) -> None:
    """Every plan comes back as it was, first backwards, then forwards; a new change forgets what was taken back."""
    seen = [planning.plan]
    planning.make_size("collar.thickness", 2.9)
    seen.append(planning.plan)
    planning.tick("blank-upper_plate")
    seen.append(planning.plan)
    for expected in reversed(seen[:-1]):
        assert planning.undo()
        assert planning.plan is expected
    assert not planning.undo()
    assert planning.before is None
    assert planning.redo()
    assert planning.plan is seen[1]
    planning.tick("blank-lower_plate")
    assert not planning.redo()


def test_a_person_reads_that_planning_goes_on(planning: Planning) -> None:
    """Before the plan is there the notice says so; a change that changes nothing plans nothing."""
    heard: list[str] = []
    planning.on_change(lambda what: heard.append(planning.notice if what == "notice" else what))
    planning.tick("blank-upper_plate")
    assert heard[:2] == [BUSY, "plan"]
    heard.clear()
    planning.tick("blank-upper_plate")
    assert heard == []


@pytest.mark.parametrize("text", ["name = 1", "name = 'x'\nstack = []"])
def test_a_file_that_cannot_be_planned_is_refused(tmp_path: Path, text: str) -> None:
    """A missing or wrong file is one sentence with its name."""
    with pytest.raises(InputFileError, match=r"nowhere\.toml: cannot be read"):
        Planning(tmp_path / "nowhere.toml")
    (tmp_path / "a.toml").write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=r"a\.toml: "):
        Planning(tmp_path / "a.toml")


@pytest.mark.parametrize("make", PANELS, ids=lambda make: make.__name__)
def test_every_control_is_labelled(planning: Planning, make: Any) -> None:
    """Controls carry a label, buttons a word and a hint, and the docstring names what does the same without the panel."""
    for one in walk(make(planning)):
        if isinstance(one, ipw.Button):
            assert one.description
            assert one.tooltip
        elif isinstance(one, (ipw.Text, ipw.Textarea, ipw.Dropdown, ipw.FloatSlider, ipw.Checkbox)):
            assert one.description
    assert "Without widgets" in make.__doc__


def test_the_pins_panel_moves_and_refuses(planning: Planning) -> None:
    """A slider let go moves the keep-out; one that asks too much goes back, with the reason, and the picture stays."""
    box = plan_pins(planning)
    picture = next(one for one in walk(box) if isinstance(one, ipw.Image))
    assert picture.value[:4] == PNG
    assert not find(box, ipw.FloatSlider, "its middle, X mm").continuous_update
    old = picture.value
    find(box, ipw.FloatSlider, "its middle, X mm").value = 11.0
    find(box, ipw.FloatSlider, "its middle, Y mm").value = 6.0
    assert planning.keep_out("name plate").shape.centroid.y == pytest.approx(6.0)
    assert picture.value != old
    assert "moves from" in text_of(box)
    old = picture.value
    find(box, ipw.FloatSlider, "metal to edge, mm").value = 9.8
    assert find(box, ipw.FloatSlider, "metal to edge, mm").value == pytest.approx(0.5)
    assert "no place for a pin" in text_of(box)
    assert picture.value == old
    find(box, ipw.Button, "Undo").click()
    assert find(box, ipw.FloatSlider, "its middle, Y mm").value == pytest.approx(-6.0)


def test_the_pins_panel_without_keep_outs_and_with_a_far_one(planning: Planning) -> None:
    """Nothing to move: those sliders rest. One far off the plates: the slider reaches it, and moving Y leaves X alone."""
    planning.move_keep_out("name plate", 90.0, 0.0)
    box = plan_pins(planning)
    find(box, ipw.FloatSlider, "its middle, Y mm").value = 2.0
    middle = planning.keep_out("name plate").shape.centroid
    assert (middle.x, middle.y) == (pytest.approx(90.0), pytest.approx(2.0))
    text = planning.file.text
    planning.file.path.write_text(text[: text.index("[[keep_outs]]")], encoding="utf-8")
    box = plan_pins(Planning(planning.file.path))
    assert find(box, ipw.FloatSlider, "its middle, X mm").disabled
    assert not find(box, ipw.FloatSlider, "metal to edge, mm").disabled


def test_the_sizes_panel_answers(planning: Planning) -> None:
    """Part and size chosen, a number typed: gap, advice and the list of made sizes follow."""
    box = plan_made_sizes(planning)
    find(box, ipw.Dropdown, "part").value = "collar"
    find(box, ipw.Dropdown, "size").value = "collar.thickness"
    find(box, ipw.Text, "came out at, mm").value = "3.05±0.01"
    find(box, ipw.Button, "Use this size").click()
    assert "thickness of collar: 3.050 ± 0.010 (made)" in text_of(box)
    assert "0.25 mm off" in text_of(box)
    assert find(box, ipw.Dropdown, "size").value == "collar.thickness"
    find(box, ipw.Button, "Take it out").click()
    assert "No size is made so far" in text_of(box)


def test_the_steps_panel_ticks(planning: Planning) -> None:
    """A tick is kept in the plan, and the next step is told with its tools."""
    box = plan_steps(planning)
    first = next(one for one in walk(box) if isinstance(one, ipw.Checkbox))
    assert "Next: Blank (upper plate)" in text_of(box)
    first.value = True
    assert planning.file.data["done"] == ["blank-upper_plate"]
    assert "Next: Blank (collar)" in text_of(box)
    assert "Tools: " in text_of(box)


def test_the_save_panel_never_overwrites_unasked(planning: Planning) -> None:
    """What was changed stands there as TOML; a file that is there is left alone until the box is ticked, once."""
    box = plan_save(planning)
    planning.tick("blank-upper_plate")
    assert tomllib.loads(find(box, ipw.Textarea, "changed").value) == {"done": ["blank-upper_plate"]}
    source = planning.file.path
    before = source.read_bytes()
    find(box, ipw.Text, "save all as").value = str(source)
    find(box, ipw.Button, "Save").click()
    assert "is there already" in text_of(box)
    assert source.read_bytes() == before
    find(box, ipw.Checkbox, "replace a file that is there").value = True
    find(box, ipw.Button, "Save").click()
    assert tomllib.loads(source.read_text(encoding="utf-8"))["done"] == ["blank-upper_plate"]
    assert not find(box, ipw.Checkbox, "replace a file that is there").value
    assert "nothing is changed" in find(box, ipw.Textarea, "changed").value  # for it stands in the file now
    planning.undo()
    assert "# done is taken out" in find(box, ipw.Textarea, "changed").value


def test_the_stack_panel_follows(planning: Planning) -> None:
    """Picture and heights follow a made size."""
    box = plan_stack(planning)
    assert next(one for one in walk(box) if isinstance(one, ipw.Image)).value[:4] == PNG
    assert "2.00 to 4.80" in text_of(box)
    planning.make_size("collar.thickness", "2.9±0.01")
    assert "2.00 to 4.90" in text_of(box)
