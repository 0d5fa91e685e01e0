"""Names of pieces: what a clockmaker's list of parts would call them (common practice, no source)."""

from typing import Any

import pytest

from ctrecon.core.measured import Measured
from ctrecon.pieces.names import name_pieces
from ctrecon.record.part import Feature, Piece


def m(value: float) -> Measured:
    return Measured(value, 0.001)


def feature(ident: str, kind: str, low: float, high: float, **more: Any) -> Feature:
    return Feature(id=ident, kind=kind, x_mm=m(5), y_mm=m(5), depth_from_mm=m(low), depth_to_mm=m(high), **more)


def piece(number: int, name: str, low: float, high: float, *features: str) -> Piece:
    return Piece(
        id=f"P{number}", name=name, depth_from_mm=m(low), depth_to_mm=m(high), features=features, verdict="separate",
        probability_separate=0.99,
    )  # fmt: skip


def toothed(ident: str, low: float, high: float, area: float) -> Feature:
    return feature(ident, "free_outside", low, high, area_mm2=m(area), flags=("toothed_rim",))


@pytest.mark.parametrize(("length", "carrier"), [(12.0, "arbor"), (3.0, "hub")])
def test_wheels_on_an_arbor_lie_either_side_of_a_spacer(length: float, carrier: str) -> None:
    """Two toothed rims on one seat, a narrower ring between them; what carries them is an arbor where it is long."""
    features = [
        feature("F1", "round_outside", 0, length / 4, diameter_mm=m(4.0)),
        feature("F2", "round_seam", length / 4, length, diameter_mm=m(2.0), seam_mm=m(0.01)),
        toothed("F3", length / 4, length / 2, 80.0),
        feature("F4", "round_outside", length / 2, 0.75 * length, diameter_mm=m(5.0)),
        toothed("F5", 0.75 * length, length, 60.0),
    ]
    pieces = [
        piece(1, "body", 0, length, "F1"), piece(2, "", length / 4, length / 2, "F2", "F3"),
        piece(3, "", length / 2, 0.75 * length, "F2", "F4"), piece(4, "", 0.75 * length, length, "F2", "F5"),
    ]  # fmt: skip
    assert [p.name for p in name_pieces(pieces, features)] == [carrier, "wheel", "spacer", "wheel"]


def test_layers_are_plates_and_pins_keep_their_name() -> None:
    """A riveted stack without teeth: plate, narrower spacer, plate; the rivet is still a rivet."""
    features = [
        feature("F1", "round_outside", 0, 1, diameter_mm=m(8.0)), feature("F2", "round_outside", 1, 2, diameter_mm=m(5.0)),
        feature("F3", "round_outside", 2, 3, diameter_mm=m(8.0)), feature("F4", "face_seam", 1, 1, seam_mm=m(0.01)),
        feature("F5", "face_seam", 2, 2, seam_mm=m(0.01)), feature("F6", "round_seam", 0, 3, diameter_mm=m(1.0)),
    ]  # fmt: skip
    pieces = [
        piece(1, "body", 0, 1, "F1"), piece(2, "layer", 1, 2, "F2", "F4"), piece(3, "layer", 2, 3, "F3", "F5"),
        piece(4, "rivet", 0, 3, "F6"),
    ]  # fmt: skip
    assert [p.name for p in name_pieces(pieces, features)] == ["plate", "spacer", "plate", "rivet"]
    pinned = name_pieces([pieces[0], piece(2, "pin", 0, 1, "F6")], features)
    assert [p.name for p in pinned] == ["body", "pin"]


def test_one_piece_stays_a_body() -> None:
    """A part that nothing divides is not named by its form."""
    assert name_pieces([piece(1, "body", 0, 1, "F1")], [toothed("F1", 0, 1, 9.0)])[0].name == "body"
