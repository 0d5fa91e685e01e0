"""Planning as plain state: the assembly's file with its changes, the plan that follows, and what was refused.

Nothing here knows of widgets; they only bind to it. A change that cannot be planned leaves file and plan as they were.
"""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from ctrecon.core.errors import CtreconError, InputError
from ctrecon.core.threads import one_thread
from ctrecon.widgets.plan_words import step_title, what_changed
from ctrecon.workshop.assembly.changed import (
    AssemblyFile,
    open_assembly,
    with_done,
    with_habit,
    with_keep_out_at,
    with_made,
    with_override,
)
from ctrecon.workshop.assembly.changed_text import changed_tables, save_assembly
from ctrecon.workshop.assembly.model import Assembly, KeepOut
from ctrecon.workshop.plan.compose import make_plan
from ctrecon.workshop.plan.model import Plan
from ctrecon.workshop.plan.wording import worded

__all__ = ["BUSY", "Planning"]

BUSY = "planning ..."
"""What the notice says while a plan is made: some seconds, most of them for the register pins."""


class Planning:
    """A plan that is made anew with every change.

    Parameters
    ----------
    path : path
        The assembly file; it is only read.

    Raises
    ------
    InputError
        If the file cannot be used, or no plan can be made of it: one sentence that says why.
    """

    def __init__(self, path: str | Path) -> None:
        self.file: AssemblyFile = open_assembly(path)
        with one_thread():
            self.plan: Plan = make_plan(self.file.assembly())
        self.first = self.plan
        self.notice = ""
        self._past: list[tuple[AssemblyFile, Plan]] = []
        self._taken_back: list[tuple[AssemblyFile, Plan]] = []
        self._listeners: list[Callable[[str], None]] = []

    # --- who wants to know

    def on_change(self, listener: Callable[[str], None]) -> None:
        """Call the listener with what changed: 'plan', 'refused' (all is as it was) or 'notice'."""
        self._listeners.append(listener)

    def _tell(self, what: str) -> None:
        for listener in tuple(self._listeners):
            listener(what)

    def say(self, notice: str) -> None:
        """Show a sentence to the person."""
        self.notice = notice
        self._tell("notice")

    # --- looking

    @property
    def assembly(self) -> Assembly:
        """The assembly that the plan was made from."""
        return self.plan.assembly

    @property
    def before(self) -> Plan | None:
        """The plan before the last change; None where nothing was changed."""
        return self._past[-1][1] if self._past else None

    def keep_out(self, name: str) -> KeepOut:
        """Return a keep-out by its name.

        Raises
        ------
        InputError
            If there is none of that name.
        """
        for one in self.assembly.keep_outs:
            if one.name == name:
                return one
        raise InputError(f"there is no keep-out '{name}'; choose one from the list")

    def what_changed(self) -> tuple[str, ...]:
        """Say what the last change changed in the plan, one sentence each; empty where nothing was changed."""
        return () if self.before is None else what_changed(self.before, self.plan)

    # --- changing

    def move_keep_out(self, name: str, x: float, y: float) -> None:
        """Move the middle of a keep-out to (x, y), mm in the assembly frame, and plan anew."""
        self.keep_out(name)
        self._change(with_keep_out_at(self.file, name, x, y), f"{name} stands at {x:g}, {y:g} mm")

    def set_habit(self, key: str, value: float) -> None:
        """Set a habit of the shop, such as ``edge_margin_mm``, and plan anew."""
        words = key.removesuffix("_mm").replace("_", " ")
        self._change(with_habit(self.file, key, value), f"{words} is {value:g}{' mm' if key.endswith('_mm') else ''}")

    def make_size(self, key: str, size: str | float | None) -> None:
        """Put in a size taken from the finished piece, such as ``1.49±0.01`` (None takes it out), and plan anew.

        Raises
        ------
        InputError
            If there is no such size, or what was typed is none.
        """
        size = size.strip() if isinstance(size, str) else size
        if size == "":
            raise InputError("no size is typed; give mm, and U where it is known, such as 1.49±0.01")
        if size is None and key not in self.assembly.made:
            raise InputError(f"{self._words(key)} was not said to be made; there is nothing to take out")
        says = "taken as it was found again" if size is None else f"made, {size} mm"
        self._change(with_made(self.file, key, size), f"{self._words(key)}: {says}")

    def tick(self, step: str, done: bool = True) -> None:
        """Tick a step as done by its id (False takes the tick away); the order of the rest is found anew.

        Raises
        ------
        InputError
            If the plan has no such step.
        """
        found = next((one for one in self.plan.steps if one.id == step), None)
        if found is None:
            raise InputError(f"the plan has no step '{step}'; choose one from the list")
        self._change(with_done(self.file, step, done), f"{step_title(self.plan, found)}: {'' if done else 'not '}done")

    def decide(self, what: str, key: str, value: object) -> None:
        """Decide against the plan, which checks it again; see `ctrecon.workshop.assembly.changed.with_override`."""
        self._change(with_override(self.file, what, key, value), f"{what} of {key} decided")

    def undo(self) -> bool:
        """Take the last change back; False where there is none."""
        if not self._past:
            return False
        self._taken_back.append((self.file, self.plan))
        self.file, self.plan = self._past.pop()
        self._tell("plan")
        self.say("The last change is taken back.")
        return True

    def redo(self) -> bool:
        """Make the change again that was taken back last; False where there is none."""
        if not self._taken_back:
            return False
        self._past.append((self.file, self.plan))
        self.file, self.plan = self._taken_back.pop()
        self._tell("plan")
        self.say("Changed again.")
        return True

    def attempt(self, action: Callable[[], object]) -> bool:
        """Do something a person asked for; what is refused becomes the notice, one sentence, and False is returned."""
        try:
            action()
        except CtreconError as error:
            text = str(error).removeprefix(f"{self.file.path}: ")
            self._tell("refused")
            self.say(text[:1].upper() + text[1:] + ("" if text.endswith((".", "?")) else "."))
            return False
        return True

    # --- keeping

    def text(self) -> str:
        """Return what was changed as TOML, to copy into the file."""
        return changed_tables(self.file)

    def save(self, path: str | Path, *, replace_it: bool = False) -> Path:
        """Write the whole changed file; see `ctrecon.workshop.assembly.changed_text.save_assembly`."""
        saved = save_assembly(self.file, path, replace_it=replace_it)
        if saved.samefile(self.file.path):
            text = open_assembly(saved).text
            self.file = replace(self.file, text=text)
            for some in (self._past, self._taken_back):
                some[:] = [(replace(file, text=text), plan) for file, plan in some]
            self._tell("plan")
        return saved

    # --- inside

    def _words(self, key: str) -> str:
        size = self.assembly.sizes.get(key)
        return key if size is None else worded(size.words, self.plan.names)

    def _change(self, file: AssemblyFile, says: str) -> None:
        """Plan anew with a changed file; nothing is changed where that fails."""
        if file.data == self.file.data:
            return
        self.say(BUSY)
        with one_thread():
            plan = make_plan(file.assembly(), known=self.plan)
        self._past.append((self.file, self.plan))
        self._taken_back.clear()
        self.file, self.plan = file, plan
        self._tell("plan")
        self.say(f"{says[:1].upper()}{says[1:]}; planned anew.")
