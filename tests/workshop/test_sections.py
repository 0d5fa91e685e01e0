"""The report's two tables of the workshop: there, cautious, and absent where there is nothing to say."""

import importlib.util
from pathlib import Path

import numpy as np

from ctrecon.report import report_html

_spec = importlib.util.spec_from_file_location("random_records_of_sections", Path(__file__).with_name("random_records.py"))
assert _spec is not None
assert _spec.loader is not None
records = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(records)


def test_both_tables_stand_with_their_caution() -> None:
    """Stock and scheme are shown beside the figures as found, and each table says that those rule."""
    squares = [records.feature(i + 1, "square_outside", 3.617, (5.0 + 7 * i, 9.0 + i * i)) for i in range(4)]
    text = " ".join(report_html(records.bare_part(squares, [records.piece(1, 1.601)], scale_u=0.0)).split())
    stock, schemes = text.index("<h2>Stock</h2>"), text.index("<h2>As found and as intended</h2>")
    assert "Choose the stock yourself" in text[stock:schemes]
    assert "1.6 mm (ISO 3 R10, ISO 3 R20; from memory: metric first choice): agrees within U" in text[stock:schemes]
    assert "the figures as found rule" in text[schemes:]
    assert "flats of F4 3.617 mm (U 0.004)" in text[schemes:]
    assert "One square" in text[schemes:]


def test_a_part_without_scheme_or_piece_has_no_such_table() -> None:
    """Two free sizes and no pieces: neither table is there, so nobody reads a scheme into nothing."""
    rng = np.random.default_rng(801)
    sizes = rng.uniform(2, 9, 2)
    part = records.bare_part([records.feature(i + 1, "round_outside", float(s), (15.0, 14.0)) for i, s in enumerate(sizes)])
    text = report_html(part)
    assert "<h2>Stock</h2>" not in text
    assert "As found and as intended" not in text
