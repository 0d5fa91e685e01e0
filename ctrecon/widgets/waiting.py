"""What a person sees while a notebook measures: one bar, the stage, and the time left."""

import time

import ipywidgets as ipw
from IPython import get_ipython
from IPython.display import display

from ctrecon.core.progress import Progress, Standing, Whole, spell_time
from ctrecon.widgets.panel import panel

__all__ = ["batch_bar", "notebook_bar"]

_EVERY_S = 0.1


def notebook_bar(*, upto: str = "form") -> Progress | None:
    """Show a bar under the cell and return the `progress` that moves it; None outside of a notebook.

    Parameters
    ----------
    upto : str
        The last stage that will come: "form" for `measure_stack` and `measure` of slices, "explain" with the
        comparison, "writing" for `measure_to_folder`.

    Examples
    --------
    >>> notebook_bar() is None
    True
    """
    if get_ipython() is None:
        return None
    bar, says = _bar()
    begun = last = time.monotonic()

    def show(one: Standing) -> None:
        nonlocal last
        now = time.monotonic()
        if one.share >= 1:
            bar.value, bar.bar_style = 1.0, "success"
            says.value = f"done in {spell_time(now - begun)}"
        elif now - last >= _EVERY_S:
            last = now
            bar.value, says.value = one.share, f"{100 * one.share:.0f} %, {one.says}"

    return Whole(show, upto=upto)


def batch_bar() -> Progress | None:
    """Show a bar under the cell and return the `progress` of `ctrecon.batch.measure_all` that moves it.

    None outside of a notebook.

    Examples
    --------
    >>> batch_bar() is None
    True
    """
    if get_ipython() is None:
        return None
    bar, says = _bar()

    def tell(stage: str, done: int, total: int) -> None:
        bar.value, says.value = done / total, f"{done} of {total} {stage}"
        bar.bar_style = "success" if done == total else ""

    return tell


def _bar() -> tuple[ipw.FloatProgress, ipw.Label]:
    bar = ipw.FloatProgress(min=0, max=1, layout=ipw.Layout(width="300px", flex="0 0 auto"))
    says = ipw.Label("measuring begins")
    display(panel("ctr-progress", "", ipw.HBox([bar, says])))  # type: ignore[no-untyped-call]
    return bar, says
