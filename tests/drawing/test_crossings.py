"""No text of a sheet is crossed: read from the PDF by a library that shares no code with what wrote it."""

import random
from collections.abc import Callable

import drawing_records as records
import pytest

from ctrecon.record.part import Part

pdfium = pytest.importorskip("pypdfium2")
import crossings  # noqa: E402 - it needs the library

PAPERS, UNITS, PROJECTIONS = ("A4", "A3", "Letter"), ("mm", "in"), ("first", "third")
PARTS = (
    records.hub, records.plate, records.medley, records.twelve, records.collared, records.stacked, records.lopsided,
    records.open_ended, records.fragment, records.single_slice,
)  # fmt: skip


def test_the_reader_sees_a_line_a_filling_and_a_text_through_a_text() -> None:
    """A page with one fault of each kind gives exactly these; text beside a line is none."""
    from ctrecon.drawing.paper.items import Hatch, Label, Line, Page, Sheet
    from ctrecon.drawing.written.pdf import pdf_bytes
    from ctrecon.drawing.written.strokes import drawn_pages

    items = (
        Label("struck", (20.0, 20.0)), Line((15.0, 21.0), (40.0, 21.0)),
        Label("slanted", (20.0, 40.0), 2.5, "left", 30.0), Line((22.0, 38.0), (24.0, 46.0)),
        Label("covered", (20.0, 60.0)), Hatch(((19.0, 59.0), (24.0, 59.0), (24.0, 64.0)), solid=True),
        Label("one", (20.0, 80.0)), Label("another", (22.0, 81.0)),
        Label("sound", (20.0, 100.0)), Line((15.0, 99.0), (40.0, 99.0)),
    )  # fmt: skip
    sheet = Sheet("faults", "A4", 297.0, 210.0, 1.0, [Page(items)])
    found = crossings.crossings(pdf_bytes(sheet, drawn_pages(sheet)[1]))
    assert {(one.text, one.by) for one in found} == {
        ("struck", "line"), ("slanted", "line"), ("covered", "filling"), ("one", "text 'another'"),
    }  # fmt: skip


@pytest.mark.parametrize("make", PARTS, ids=lambda make: make.__name__)
def test_no_text_of_a_sheet_is_crossed(make) -> None:  # type: ignore[no-untyped-def]
    """Paper, units and projection of each record are drawn by chance; no line or text meets another text."""
    rng = random.Random(make.__name__)  # noqa: S311
    choice = rng.choice(PAPERS), rng.choice(UNITS), rng.choice(PROJECTIONS)
    part = make()
    for paper, units, projection in [(None, "mm", "first"), choice]:
        found = crossings.crossings(crossings.sheet_pdf(part, paper=paper, units=units, projection=projection))
        assert not found, (paper, units, projection, found[:5])


@pytest.mark.slow
@pytest.mark.parametrize(("kind", "number"), [("plate", 9101), ("sandwich", 9100)])
def test_no_text_of_a_worn_parts_sheet_is_crossed(
    kind: str, number: int, times: int, measured_once: Callable[[str, Callable[[], Part]], Part]
) -> None:
    """Two of the random worn parts that `run_crossings.py` draws in numbers, on paper that chance chooses."""
    import run_crossings

    part = measured_once(f"worn_{kind}_{number}", lambda: run_crossings.measured(kind, number))
    for seed in range(times):
        chance = random.Random(seed)  # noqa: S311
        how, data = run_crossings.drawn(part, chance)
        assert not crossings.crossings(data), how
