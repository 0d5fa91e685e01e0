"""One page of a whole batch: what became of each stack, with its sheet in small and a link to its report."""

import base64
import io
from collections.abc import Iterable, Sequence
from pathlib import Path
from urllib.parse import quote

import numpy as np

from ctrecon.batch.alike import Alike
from ctrecon.batch.entry import Entry
from ctrecon.core.files import write_whole
from ctrecon.core.flags import explain
from ctrecon.report.template import page_template

__all__ = ["INDEX", "write_index"]

INDEX = "index.html"
_SMALL = (220, 156)  # px: a sheet can be told from another
_WHITE = 255


def write_index(entries: Iterable[Entry], alike: Sequence[Alike], out: Path) -> None:
    """Write ``index.html``, complete in itself but for the links to each stack's own files."""
    entries = list(entries)
    flags = [{warning.flag for warning in entry.part.warnings} for entry in entries if entry.part is not None]
    of_all = set.intersection(*flags) if len(flags) > 1 else set()
    rows = [_row(entry, out, of_all) for entry in entries]
    counts = {word: sum(entry.outcome == word for entry in entries) for word in ("measured", "nothing_found", "failed")}
    page = page_template("ctrecon.batch", "index_page.html").render(
        rows=rows, counts=counts, of_all=_in_words(of_all), alike=alike
    )
    write_whole(out / INDEX, page.encode("utf-8", "replace"))


def _in_words(flags: set[str]) -> list[str]:
    return [explain(flag) for flag in sorted(flags)]


def _row(entry: Entry, out: Path, told: set[str]) -> dict[str, object]:
    part = entry.part
    flags = set() if part is None else {warning.flag for warning in part.warnings} - told
    undecided = [] if part is None else [one.id for one in part.features if "undecided" in one.flags]
    return {
        "entry": entry,
        "outcome": entry.outcome.replace("_", " "),
        "about": _about(entry),
        "picture": _thumbnail(out / entry.results / "sheet.png") if entry.results else "",
        "link": quote(entry.results),
        "flags": _in_words(flags),
        "undecided": undecided,
    }


def _about(entry: Entry) -> str:
    """Say how large a part is about; its sizes with their U stand in its record."""
    sizes = ((entry.across_mm, "across"), (entry.deep_mm, "deep"))
    told = ", ".join(f"{size:.1f} mm {way}" for size, way in sizes if size is not None)
    return f"about {told}" if told else ""


def _thumbnail(sheet: Path) -> str:
    """Return the first page of a sheet in small as an address that holds its bytes; empty where there is none."""
    from PIL import Image

    try:
        with Image.open(sheet) as image:
            small = image.convert("L")
            grey = np.asarray(small)
            plain = (grey == grey[:, :1]).all(axis=1) & (grey[:, 0] > 0) & (grey[:, 0] < _WHITE)
            if plain.any():  # a band of grey parts a page from the next
                small = small.crop((0, 0, small.width, int(np.argmax(plain))))
            small.thumbnail(_SMALL, Image.Resampling.LANCZOS)
    except OSError:
        return ""
    out = io.BytesIO()
    small.save(out, "PNG", optimize=True)
    return "data:image/png;base64," + base64.b64encode(out.getvalue()).decode()
