"""Panels in which a plan is looked at and changed: stack, register pins, made sizes, steps, what to keep."""

from functools import partial

import ipywidgets as ipw

from ctrecon.drawing.plan import stack_png
from ctrecon.plots import register_pins_chart
from ctrecon.widgets.panel import button, figure_bytes, notice_line, panel, paragraph, split, table
from ctrecon.widgets.plan_state import Planning
from ctrecon.widgets.plan_words import STATES, part_rows, size_label, step_title

__all__ = ["plan_made_sizes", "plan_pins", "plan_save", "plan_stack", "plan_steps"]

_WIDE = {"description_width": "130px"}
_PLACE_STEP_MM = 0.1
_BESIDE = 0.25  # how far past the plates a keep-out may be moved, as a share of their size
_MOST_EDGE_MM, _MOST_EDGE_DIAMETERS = 12.0, 6.0
_ROUND = 1e-6


def _layout(width: str = "96%") -> ipw.Layout:
    """Return a layout of its own for one control: a shared one would hide all of them at once."""
    return ipw.Layout(width=width)


def _picture() -> ipw.Image:
    return ipw.Image(format="png", layout=ipw.Layout(width="98%", max_width="960px", height="auto"))


def _said(css: str) -> ipw.HTML:
    says = ipw.HTML()
    says.add_class(css)
    return says


def _take_back(planning: Planning) -> ipw.HBox:
    undo, redo = button("Undo", "take the last change back"), button("Redo", "make the change again")

    def back(_: object) -> None:
        if not planning.undo():
            planning.say("There is nothing to take back.")

    def on(_: object) -> None:
        if not planning.redo():
            planning.say("There is nothing to change again.")

    undo.on_click(back)
    redo.on_click(on)
    return ipw.HBox([undo, redo])


def _changes(planning: Planning) -> ipw.HTML:
    """Return what the last change changed, which follows the planning."""
    says = _said("ctr-changes")

    def follow(what: str = "plan") -> None:
        if what == "plan":
            lines = planning.what_changed() or ("Nothing was changed yet.",)
            says.value = paragraph("What the last change changed:") + "".join(paragraph(f"• {one}") for one in lines)

    planning.on_change(follow)
    follow()
    return says


def plan_stack(planning: Planning) -> ipw.VBox:
    """Return the panel that shows how the parts lie on each other, with their heights.

    Without widgets the same is `ctrecon.drawing.plan.stack_png`, and the heights stand in `Planning.assembly`.
    """
    picture, listed = _picture(), _said("ctr-parts")
    picture.layout.max_width = "560px"

    def follow(what: str = "plan") -> None:
        if what == "plan":
            picture.value = stack_png(planning.assembly)
            head = ("part", "what", "from, to (mm)", "thickness ± U", "")
            notes = "".join(paragraph(one) for one in planning.assembly.notes)
            listed.value = table(part_rows(planning.assembly), head) + notes

    planning.on_change(follow)
    follow()
    return panel(
        "ctr-stack", f"The stack of {planning.assembly.name}", picture, listed, still=lambda: [picture.value]
    )


def _slider(label: str, low: float, high: float, step: float, css: str) -> ipw.FloatSlider:
    one = ipw.FloatSlider(
        min=low, max=high, value=low, step=step, description=label, continuous_update=False, style=_WIDE,
        layout=_layout(), readout_format=".1f",
    )  # fmt: skip
    one.add_class(css)
    return one


def plan_pins(planning: Planning) -> ipw.VBox:
    """Return the panel that shows the free areas and register pins, and moves keep-outs and margins.

    Planning takes some seconds, so it waits until a slider is let go.

    Without widgets the same is `Planning.move_keep_out` and `Planning.set_habit`, with `register_pins_chart`.
    """
    assembly = planning.assembly
    names = {one.id: one.name for one in assembly.parts}
    pairs = [(f"{names[one.upper]} on {names[one.lower]}", k) for k, one in enumerate(planning.plan.registrations)]
    pair = ipw.Dropdown(options=pairs, description="plates", style=_WIDE, layout=_layout())
    which = ipw.Dropdown(
        options=[one.name for one in assembly.keep_outs], description="keep-out", style=_WIDE, layout=_layout()
    )
    left, low, right, top = (
        f([one.outline.bounds[k] for one in assembly.plates]) for k, f in enumerate((min, min, max, max))
    )
    wide, tall = _BESIDE * (right - left), _BESIDE * (top - low)
    at_x = _slider("its middle, X mm", round(left - wide, 1), round(right + wide, 1), _PLACE_STEP_MM, "ctr-keep-x")
    at_y = _slider("its middle, Y mm", round(low - tall, 1), round(top + tall, 1), _PLACE_STEP_MM, "ctr-keep-y")
    edge = _slider("metal to edge, mm", 0.0, max(_MOST_EDGE_MM, assembly.shop.edge_margin_mm), 0.1, "ctr-edge")
    diameters = _slider(
        "centre to edge, Ø", 0.6, max(_MOST_EDGE_DIAMETERS, assembly.shop.pin_edge_diameters), 0.1, "ctr-edge-diameters"
    )
    for one in (which, at_x, at_y):
        one.disabled = not assembly.keep_outs
    picture, why = _picture(), _said("ctr-why")
    filling = False

    def fill() -> None:
        """Put every control where the plan has it; this asks for nothing."""
        nonlocal filling
        filling = True
        if which.value is not None:
            middle = planning.keep_out(which.value).shape.centroid
            for slider, value in ((at_x, middle.x), (at_y, middle.y)):
                slider.min, slider.max = min(slider.min, value), max(slider.max, value)
                slider.value = value
        edge.value, diameters.value = planning.assembly.shop.edge_margin_mm, planning.assembly.shop.pin_edge_diameters
        filling = False

    def show() -> None:
        number = pair.value or 0
        picture.value = figure_bytes(register_pins_chart(planning.plan, number, before=planning.before))
        says = planning.plan.registrations[number].says if planning.plan.registrations else ()
        why.value = "".join(paragraph(one) for one in says[:2])

    def follow(what: str = "plan") -> None:
        if what in ("plan", "refused"):
            fill()
        if what == "plan":
            show()

    def moved(_: object) -> None:
        if filling or which.value is None:
            return
        middle = planning.keep_out(which.value).shape.centroid
        if abs(middle.x - at_x.value) > _ROUND or abs(middle.y - at_y.value) > _ROUND:
            planning.attempt(lambda: planning.move_keep_out(which.value, round(at_x.value, 3), round(at_y.value, 3)))

    def margin(key: str, slider: ipw.FloatSlider, _: object) -> None:
        if not filling and abs(getattr(planning.assembly.shop, key) - slider.value) > _ROUND:
            planning.attempt(lambda: planning.set_habit(key, round(slider.value, 3)))

    pair.observe(lambda _: show(), "value")
    which.observe(lambda _: fill(), "value")
    at_x.observe(moved, "value")
    at_y.observe(moved, "value")
    edge.observe(partial(margin, "edge_margin_mm", edge), "value")
    diameters.observe(partial(margin, "pin_edge_diameters", diameters), "value")
    planning.on_change(follow)
    follow()
    controls = split([pair, which, at_x, at_y, edge, diameters, _take_back(planning)], [why])
    return panel(
        "ctr-pins", "Register pins", picture, notice_line(planning), controls, _changes(planning),
        still=lambda: [picture.value],
    )  # fmt: skip


def plan_made_sizes(planning: Planning) -> ipw.VBox:
    """Return the panel in which sizes taken from finished pieces are typed, and the plan answers.

    Without widgets the same is `Planning.make_size` and `Planning.what_changed`.
    """
    parts = [(one.name, one.id) for one in planning.assembly.parts]
    part = ipw.Dropdown(options=parts, description="part", style=_WIDE, layout=_layout())
    which = ipw.Dropdown(description="size", style=_WIDE, layout=_layout())
    came = ipw.Text(
        description="came out at, mm", placeholder="such as 1.49±0.01 (U, k = 2)", style=_WIDE, layout=_layout()
    )
    use = button("Use this size", "put it in the place of the planned one")
    out = button("Take it out", "plan with the size as it was found again")
    gaps, made = _said("ctr-gaps"), _said("ctr-made")

    def sizes(_: object = None) -> None:
        kept = which.value
        found = planning.assembly[part.value].sizes.values()
        which.options = [(size_label(one, planning.plan.names), one.key) for one in found]
        keys = [one.key for one in found]
        which.value = kept if kept in keys else next(iter(keys), None)

    def follow(what: str = "plan") -> None:
        if what != "plan":
            return
        sizes()
        rows = [(STATES[one.state], one.says, one.why) for one in planning.plan.of("clearance")]
        gaps.value = table(rows, ("", "clearance", "what to do"))
        kept = [(size_label(one, planning.plan.names),) for one in planning.assembly.made.values()]
        made.value = table(kept, ("made so far",)) if kept else paragraph("No size is made so far.")

    part.observe(sizes, "value")
    use.on_click(lambda _: planning.attempt(lambda: planning.make_size(which.value or "", came.value)))
    out.on_click(lambda _: planning.attempt(lambda: planning.make_size(which.value or "", None)))
    planning.on_change(follow)
    follow()
    buttons = ipw.HBox([use, out, _take_back(planning)])
    both = split([part, which, came, buttons, made], [_changes(planning)])
    return panel(
        "ctr-made-sizes", "Sizes as they came out", both, notice_line(planning), gaps, still=lambda: gaps.value
    )


def plan_steps(planning: Planning) -> ipw.VBox:
    """Return the panel in which steps are ticked as done, and the next one is told in full.

    Without widgets the same is `Planning.tick`, with `Plan.steps` and `Plan.next_step`.
    """
    listed = ipw.VBox()
    following = _said("ctr-next")

    def ticked(ident: str, change: dict[str, bool]) -> None:
        planning.attempt(lambda: planning.tick(ident, change["new"]))

    def fill(what: str = "plan") -> None:
        if what not in ("plan", "refused"):
            return
        plan = planning.plan
        boxes = []
        for number, step in enumerate(plan.steps, 1):
            box = ipw.Checkbox(
                value=step.done, description=f"{number}. {step_title(plan, step)}", indent=False, layout=_layout("98%")
            )
            box.observe(partial(ticked, step.id), "value")
            boxes.append(box)
        listed.children = boxes
        coming = plan.next_step
        if coming is None:
            following.value = paragraph("All steps are done.")
            return
        lines = [f"Next: {step_title(plan, coming)}", *coming.does]
        lines += [f"Tools: {'; '.join(coming.tools)}."] if coming.tools else []
        lines += [f"Caution: {one}" for one in coming.cautions]
        following.value = "".join(paragraph(one) for one in lines)

    planning.on_change(fill)
    fill()
    return panel(
        "ctr-steps", "Steps", notice_line(planning), split([listed], [following, _take_back(planning)]),
        still=lambda: following.value,
    )  # fmt: skip


def plan_save(planning: Planning) -> ipw.VBox:
    """Return the panel that shows what was changed as text for the file, and saves it under a name.

    Without widgets the same is `Planning.text` and `Planning.save`.
    """
    text = ipw.Textarea(description="changed", style=_WIDE, layout=_layout())
    text.add_class("ctr-toml")
    name = ipw.Text(
        description="save all as", placeholder="such as my_counter.toml", style=_WIDE, layout=_layout("70%")
    )
    again = ipw.Checkbox(value=False, description="replace a file that is there", indent=False, layout=_layout("70%"))
    save = button("Save", "write the whole changed file under this name")

    def follow(what: str = "plan") -> None:
        if what == "plan":
            text.value = planning.text()
            text.rows = min(max(text.value.count("\n") + 1, 3), 24)

    def write() -> None:
        path = planning.save(name.value, replace_it=again.value)
        again.value = False
        planning.say(f"Saved as {path}.")

    save.on_click(lambda _: planning.attempt(write))
    planning.on_change(follow)
    follow()
    return panel("ctr-save", "What was changed, to keep", text, ipw.HBox([name, save]), again, notice_line(planning))
