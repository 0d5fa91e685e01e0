"""What all panels share: labelled controls of one width, a status line, figures as pictures."""

import base64
import html
import io
from collections.abc import Callable, Iterable, Sequence
from typing import Any, Protocol

import anywidget
import ipywidgets as ipw
from IPython.display import HTML, display
from matplotlib.figure import Figure

__all__ = [
    "Telling", "button", "figure_bytes", "heading", "notice_line", "panel", "paragraph", "say", "split", "table",
]  # fmt: skip

_STYLE = """<style>
.ctr-panel .ctr-split { flex-flow: row wrap; align-items: flex-start; }
.ctr-panel .ctr-left { flex: 1 1 400px; max-width: 640px; overflow: hidden; }
.ctr-panel .ctr-right { flex: 1 1 360px; max-width: 560px; padding-left: 14px; overflow: hidden; }
.ctr-panel .widget-text, .ctr-panel .widget-dropdown, .ctr-panel .widget-radio-box { max-width: 100%; }
.ctr-panel .widget-html, .ctr-panel .widget-html-content { height: auto; line-height: 1.4; white-space: normal; }
.ctr-panel img.widget-image { max-width: 100%; }
.ctr-panel { max-width: 1180px; color: var(--jp-ui-font-color1, inherit); }
.ctr-panel .widget-label, .ctr-panel .widget-html-content { color: var(--jp-ui-font-color1, inherit); }
.ctr-panel .ctr-says { font-size: 14px; line-height: 1.45; overflow-wrap: anywhere; }
.ctr-panel table.ctr-table { border-collapse: collapse; font-size: 13px; }
.ctr-panel table.ctr-table th, .ctr-panel table.ctr-table td {
  text-align: left; padding: 1px 12px 1px 0; border-bottom: 1px solid var(--jp-border-color2, #bbb); }
.ctr-panel .ctr-notice { border-left: 4px solid var(--jp-ui-font-color1, #555); padding-left: 8px; min-height: 1.4em; }
.ctr-panel button:focus, .ctr-panel select:focus, .ctr-panel input:focus {
  outline: 3px solid var(--jp-ui-font-color1, #555); outline-offset: 1px; }
</style>"""


class _Keys(anywidget.AnyWidget):
    """Leaves the keys pressed in a panel to the panel: the notebook would take arrows for moving between cells."""

    _esm = """
    function render({ el }) {
      let tries = 0;
      const mark = () => {
        const panel = el.closest(".ctr-panel");
        const own = (event) => event.target.setAttribute("data-lm-suppress-shortcuts", "true");
        if (panel) panel.addEventListener("focusin", own);
        else if (++tries < 50) setTimeout(mark, 100);
      };
      mark();
    }
    export default { render };
    """


def paragraph(text: str, *, css: str = "ctr-says") -> str:
    """Return text as a paragraph, escaped; a long path breaks at its folders, and is copied as it is."""
    return f'<div class="{css}">{html.escape(text).replace("/", "/<wbr>")}</div>'


def say(*sentences: object) -> None:
    """Show sentences under a cell, one paragraph each, broken between words: `print` breaks within them."""
    display(HTML("".join(paragraph(str(one)) for one in sentences)))  # type: ignore[no-untyped-call]


def heading(text: str) -> ipw.HTML:
    """Return a heading of a panel."""
    return ipw.HTML(f'<h3 style="margin:4px 0; color: var(--jp-ui-font-color1, inherit)">{html.escape(text)}</h3>')


def table(rows: Iterable[tuple[str, ...]], head: tuple[str, ...]) -> str:
    """Return rows as a table, escaped."""
    top = "".join(f'<th scope="col">{html.escape(cell)}</th>' for cell in head)
    body = "".join("<tr>" + "".join(f"<td>{html.escape(cell)}</td>" for cell in row) + "</tr>" for row in rows)
    return f'<table class="ctr-table"><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>'


def button(text: str, says: str, *, width: str = "auto") -> ipw.Button:
    """Return a button whose hint says what it does."""
    return ipw.Button(description=text, tooltip=says, layout=ipw.Layout(width=width, flex="0 0 auto"))


def figure_bytes(figure: Figure, *, dpi: int = 100) -> bytes:
    """Return a figure as PNG."""
    out = io.BytesIO()
    figure.savefig(out, format="png", dpi=dpi, facecolor="white")
    return out.getvalue()


class Telling(Protocol):
    """A state that tells of its changes and says what became of a person's wish."""

    notice: str

    def on_change(self, listener: Callable[[str], None]) -> None:
        """Call the listener with what changed."""


def notice_line(review: Telling) -> ipw.HTML:
    """Return the line in which refusals and confirmations of a state appear, spoken by screen readers."""
    line = ipw.HTML()

    def show(what: str = "notice") -> None:
        if what == "notice":
            text = paragraph(review.notice, css="ctr-says ctr-notice")
            line.value = f'<div role="status" aria-live="polite">{text}</div>'

    review.on_change(show)
    show()
    return line


def split(left: list[Any], right: list[Any]) -> ipw.HBox:
    """Return two columns, the picture and what is said of it; on a narrow page the second stands below the first."""
    one, two = ipw.VBox(left), ipw.VBox(right)
    one.add_class("ctr-left")
    two.add_class("ctr-right")
    both = ipw.HBox([one, two])
    both.add_class("ctr-split")
    return both


_STILL = """<style>
.jp-OutputArea-child:has(.ctr-still):has(+ .jp-OutputArea-child .ctr-panel),
.jp-OutputArea-child:has(.ctr-still) + .jp-OutputArea-child:not(:has(.ctr-panel)) { display: none; }
.ctr-still table { border-collapse: collapse; } .ctr-still td, .ctr-still th { text-align: left; padding-right: 12px; }
</style>"""
"""Of a panel and its still picture one is seen: the picture where no kernel answers, as in a notebook opened again."""


class _Panel(ipw.VBox):  # type: ignore[misc]
    """A panel that leaves a still picture of itself in the notebook's file."""

    still: Callable[[], str | Sequence[bytes]] = str

    def _repr_mimebundle_(self, **how: Any) -> Any:
        made = self.still()
        text = made if isinstance(made, str) else "".join(map(_image, made))
        display(HTML(f'{_STILL}<div class="ctr-still">{text}</div>'))  # type: ignore[no-untyped-call]
        return super()._repr_mimebundle_(**how)


def _image(png: bytes) -> str:
    data = base64.b64encode(png).decode()
    return f'<img style="max-width: 100%" alt="how the panel looked" src="data:image/png;base64,{data}">'


def panel(
    name: str, title: str, *children: Any, still: Callable[[], str | Sequence[bytes]] = str
) -> ipw.VBox:
    """Return a panel: a heading and what belongs to it, one under the other.

    `still` gives what is kept of it in the notebook's file: text as HTML, or pictures; nothing where it is not given.
    """
    head = [heading(title)] if title else []
    box = _Panel([ipw.HTML(_STYLE), _Keys(), *head, *children])
    box.still = still
    box.add_class("ctr-panel")
    box.add_class(name)
    return box
