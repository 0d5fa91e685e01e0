"""The fare counter's plan is whole: every part, every hole, every step, judged by walking through it anew."""

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest
from shapely import Point

from ctrecon.drawing.paper.items import Label
from ctrecon.drawing.paper.lettering import text_width
from ctrecon.drawing.plan import plan_sheet
from ctrecon.workshop.assembly.model import Assembly
from ctrecon.workshop.plan.model import FAILS, Plan


def test_every_part_has_stock_a_sheet_and_steps(counter_plan: Plan) -> None:
    """Each part is bought for, made or drilled in some step, and has a working sheet with all its sizes."""
    ids = {one.id for one in counter_plan.assembly.parts}
    assert len(ids) == 9
    assert {one.part for one in counter_plan.pieces} == ids
    assert {one.about for one in counter_plan.of("stock")} == ids
    bought = [part for one in counter_plan.buy if one.group in ("sheet", "rod") for part in one.parts]
    assert sorted(bought) == sorted(ids)
    for part in ids:
        assert any(one.parts == (part,) for one in counter_plan.steps), part
    for piece in counter_plan.pieces:
        part = counter_plan.assembly[piece.part]
        listed = {one.key for one in piece.rows}
        assert {hole.size_key for hole in part.holes} <= listed
        assert {step.size_key for step in part.steps if step.size_key} <= listed
        assert f"{part.id}.thickness" in listed
    assert not [one.says for one in counter_plan.checks if one.state == FAILS]


def test_every_hole_is_drilled_in_its_plates_only(counter_plan: Plan) -> None:
    """A walk through the set-ups: each axis and pin once, through each plate that has it and through no other."""
    assembly = counter_plan.assembly
    wanted = {(plate.id, hole.axis or hole.id) for plate in assembly.plates for hole in plate.holes}
    for one in counter_plan.registrations:
        wanted |= {(plate, pin.id) for pin in one.pins for plate in (one.upper, one.lower)}
    walked = [(plate, hole.id) for one in counter_plan.set_ups for hole in one.holes for plate in one.plates]
    assert len(walked) == len(set(walked))
    assert set(walked) == wanted
    for one in counter_plan.set_ups:
        order = [assembly.stack.index(plate) for plate in one.plates]
        assert order == list(range(order[0], order[0] + len(order)))  # neighbours, top first


def test_coordinates_lead_to_the_places(counter_plan: Plan) -> None:
    """From the corner of the outline that is picked up, X and Y of each hole come to its axis or pin in the assembly."""
    assembly = counter_plan.assembly
    places = {one.id: one.place.xy for one in assembly.axes}
    places |= {pin.id: (pin.x, pin.y) for one in counter_plan.registrations for pin in one.pins}
    for one in counter_plan.set_ups:
        (name, shifted), *_ = one.outlines
        moved = [a - b for a, b in zip(assembly[name].outline.bounds[:2], shifted.bounds[:2], strict=True)]
        for hole in one.holes:
            x, y = places[hole.id]
            assert (hole.x.value + moved[0], hole.y.value + moved[1]) == (pytest.approx(x), pytest.approx(y))
            assert hole.x.u is not None and 0 < hole.x.u < 0.2
            assert shifted.contains(Point(hole.x.value, hole.y.value).buffer(hole.drill_mm / 2))


def test_drills_are_at_hand_and_leave_metal(counter_plan: Plan) -> None:
    """Each drill for a hole is one of those the file lists, and none is larger than what the hole is to become."""
    assembly = counter_plan.assembly
    for one in counter_plan.set_ups:
        for hole in one.holes:
            if hole.kind == "pin":
                continue
            assert hole.drill_mm in assembly.stock.drills_mm
            for plate in one.plates:
                there = assembly[plate].hole_on(hole.id)
                assert there is not None and hole.drill_mm <= there.size.value + 0.02


def test_no_step_comes_before_what_it_waits_for(counter_plan: Plan) -> None:
    """In the order of the plan everything a step waits for is above it, and ids are each there once."""
    ids = [one.id for one in counter_plan.steps]
    assert len(ids) == len(set(ids))
    for at, step in enumerate(counter_plan.steps):
        assert set(step.after) <= set(ids[:at]), step.id
    waits = {one.id: set(one.after) for one in counter_plan.steps}
    assert "make-pillar_1" in waits["open-top_plate"]  # it is the gauge of its hole
    assert {"make-hub", "open-bottom_plate", "outline-all"} <= waits["try-together"]
    pins = [f"drill-{a}+{b}" for a, b in pairwise(counter_plan.assembly.stack)]
    assert ids.index(pins[0]) < ids.index(pins[1]) < ids.index("drill-top_plate+middle_plate+bottom_plate")


def test_everything_bought_is_used(counter_plan: Plan) -> None:
    """Every line of the list names steps of the plan, and every tool of every step is on the list."""
    steps = {one.id: one for one in counter_plan.steps}
    tools = {one.what for one in counter_plan.buy}
    for one in counter_plan.buy:
        assert one.steps and set(one.steps) <= set(steps)
        assert one.count
    assert {tool for step in steps.values() for tool in step.tools} <= tools
    pins = [pin.pin for one in counter_plan.registrations for pin in one.pins]
    for one in counter_plan.buy:
        if one.group == "pin":
            assert one.count == str(pins.count(one.what))


def test_to_make_and_as_found_stand_apart(counter_plan: Plan, counter: Assembly) -> None:
    """A row holds what was found as it was found, and beside it what to make; nothing is made yet."""
    apart = 0
    for piece in counter_plan.pieces:
        for row in piece.rows:
            found = counter[piece.part].measured[row.key]
            assert row.as_found == found
            assert row.made is None
            assert row.to_make is not None and abs(row.to_make - found.value) < 0.2
            apart += row.to_make != found.value
    assert apart > 20


def _labels(plan: Plan, units: str) -> list[str]:
    sheet = plan_sheet(replace(plan, assembly=replace(plan.assembly, units=units)))
    return [item.text for page in sheet.pages for item in page.items if isinstance(item, Label)]


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_no_text_runs_into_another_or_off_the_page(counter_plan: Plan, paper: str) -> None:
    """On every page each text ends inside the margins, and texts on one line of a table leave each other room."""
    sheet = plan_sheet(counter_plan, paper=paper)
    assert (sheet.width_mm, sheet.height_mm) == {"A4": (210, 297), "Letter": (215.9, 279.4)}[paper]  # ISO 216, ANSI/ASME Y14.1
    for page in sheet.pages:
        lines: dict[tuple[float, float], list[tuple[float, float, str]]] = {}
        for item in page.items:
            if isinstance(item, Label):
                wide = text_width(item.text, item.height)
                left = item.at[0] - {"left": 0.0, "right": wide, "centre": wide / 2}[item.align]
                assert left >= 10 and left + wide <= sheet.width_mm - 9, item.text
                assert item.at[1] >= 5 and item.at[1] <= sheet.height_mm - 5, item.text
                lines.setdefault((round(item.at[1], 3), item.height), []).append((left, left + wide, item.text))
        for some in lines.values():
            for (_, end, a), (start, _, b) in pairwise(sorted(some)):
                assert end <= start + 0.1, (a, b)


def test_the_list_names_steps_by_their_numbers(counter_plan: Plan) -> None:
    """What is printed beside a thing to buy is the number the step has on the pages before, not its id."""
    labels = _labels(counter_plan, "mm")
    numbers = {step.id: k for k, step in enumerate(counter_plan.steps, 1)}
    line = next(one for one in counter_plan.buy if one.what == "centre drill")
    assert ", ".join(str(numbers[one]) for one in line.steps) in labels
    at = numbers["make-hub"]
    assert any(one.startswith(f"{at}. Make (drum hub)") for one in labels)


def test_inches_are_printed_where_the_file_asks(counter_plan: Plan) -> None:
    """The same sizes in inches with one decimal more: 1 in is 25.4 mm (by definition since 1959)."""
    row = next(
        row for piece in counter_plan.pieces if piece.part == "top_plate" for row in piece.rows if row.key == "top_plate.main"
    )
    assert row.to_make is not None
    for units, text, other in (
        ("mm", f"Ø{row.to_make:.2f}", f"Ø{row.to_make / 25.4:.3f}"),
        ("inch", f"Ø{row.to_make / 25.4:.3f}", f"Ø{row.to_make:.2f}"),
    ):
        labels = _labels(counter_plan, units)
        assert text in labels
        assert other not in labels
        assert any(("lengths in inches" if units == "inch" else "lengths in mm") in one for one in labels)


def test_every_step_is_printed_with_its_id(counter_plan: Plan) -> None:
    """Each step can be ticked and named in the file: its id stands on the paper, as do all set-ups."""
    labels = " ".join(_labels(counter_plan, "mm"))
    for step in counter_plan.steps:
        assert f"id for done: {step.id}" in labels
    for one in counter_plan.set_ups:
        assert f"{one.id}: " in labels


def test_records_are_named_not_copied(counter_plan: Plan) -> None:
    """The measured parts of the plan come from the records beside the file, the wheels are typed."""
    records = {one.id: one.record for one in counter_plan.assembly.parts}
    assert {ident for ident, path in records.items() if path is None} == {"drive_wheel", "carry_wheel"}
    assert all(Path(path).is_file() for path in records.values() if path is not None)
