"""The cutting file: closed contours of true size on named layers, and nothing else."""

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import drawing_records as records
import ezdxf
import pytest

from ctrecon.core.errors import InputFileError
from ctrecon.drawing import write_outlines
from ctrecon.drawing.model.edges import AS_FOUND
from ctrecon.drawing.outlines import layer_contours


def read(path: Path) -> Any:
    """Read a file back through the DXF library and its audit."""
    doc = ezdxf.readfile(path)
    assert not doc.audit().errors
    return doc


def test_hub_outlines_are_closed_true_size_and_one_contour_with_the_relief(tmp_path: Path) -> None:
    """Every entity is a circle or a closed polyline; the spacer's rim with its relief is one contour."""
    write_outlines(records.hub(), tmp_path / "outlines.dxf")
    doc = read(tmp_path / "outlines.dxf")
    assert doc.units == 4  # millimetres, DXF reference, header variable INSUNITS
    layers: dict[str, list[Any]] = {}
    for entity in doc.modelspace():
        assert entity.dxftype() in ("CIRCLE", "LWPOLYLINE")
        assert entity.dxftype() == "CIRCLE" or entity.closed
        layers.setdefault(entity.dxf.layer, []).append(entity)
    assert set(layers) == {
        "TO_MAKE_P1_OUTSIDE_Z0.00-1.50", "TO_MAKE_P1_HOLES_ROUND_Z0.00-1.50", "TO_MAKE_P1_OUTSIDE_Z1.50-4.50",
        "TO_MAKE_P1_HOLES_ROUND_Z1.50-4.50", "TO_MAKE_P1_OUTSIDE_Z4.50-7.00", "TO_MAKE_P1_HOLES_ROUND_Z4.50-7.00",
        "TO_MAKE_P2_OUTSIDE_Z0.00-1.60", "TO_MAKE_P2_HOLES_SQUARE_Z0.00-1.60",
    }  # fmt: skip
    assert layers["TO_MAKE_P1_OUTSIDE_Z0.00-1.50"][0].dxf.radius == pytest.approx(6.0, abs=1e-9)
    (spacer,) = layers["TO_MAKE_P2_OUTSIDE_Z0.00-1.60"]
    assert any(bulge < 0 for *_, bulge in spacer.get_points("xyb"))
    # the hole clears the boss by the gap of 0.01 mm on either side
    for name, flats in (("P1_OUTSIDE_Z4.50-7.00", 5.0), ("P2_HOLES_SQUARE_Z0.00-1.60", 5.02)):
        (square,) = layers[f"TO_MAKE_{name}"]
        sides = [math.dist(a, b) for a, b in zip(square.get_points("xy"), square.get_points("xy")[1:], strict=False)]
        assert sides == pytest.approx([flats] * 3, abs=1e-9)


def test_hub_spacer_has_the_area_left_by_the_relief() -> None:
    """The rim's area is the disk less the lens (MathWorld, 'Circle-Circle Intersection')."""
    found = dict(layer_contours(records.hub()))
    big, small, gap = 5.0, 2.5, 6.5
    a = small**2 * math.acos((gap**2 + small**2 - big**2) / (2 * gap * small))
    b = big**2 * math.acos((gap**2 + big**2 - small**2) / (2 * gap * big))
    s = (-gap + small + big) * (gap + small - big) * (gap - small + big) * (gap + small + big)
    lens = a + b - math.sqrt(s) / 2
    assert found["TO_MAKE_P2_OUTSIDE_Z0.00-1.60"].area() == pytest.approx(math.pi * 25 - lens, rel=1e-8)


def places(part: Any) -> list[tuple[float, float, float]]:
    """Return (x, y, area) of every hole."""
    found = []
    for layer, contour in layer_contours(part):
        if "_HOLES_" in layer:
            left, bottom, right, top = contour.bounds()
            found.append((round((left + right) / 2, 6), round((bottom + top) / 2, 6), round(contour.area(), 6)))
    return sorted(found)


def test_holes_of_the_plate_lie_x_right_and_y_up_never_mirrored() -> None:
    """Rows run down in the slices, so y changes sign; a mirrored plate gives another file."""
    found = {(x, y) for x, y, _ in places(records.plate())}
    assert {(0.0, 4.1), (6.4, -0.3), (-0.4, -4.1), (-6.6, 0.0), (-5.2, 3.4), (4.6, -3.1), (0.0, 0.0)} == found
    part = records.plate()
    flipped = replace(
        part, features=tuple(replace(f, x_mm=records.m(20.0 - f.x_mm.value)) for f in part.features if f.x_mm)
    )
    assert places(flipped) != places(part)


def test_turn_changes_sign_with_y() -> None:
    """A flat whose normal points 3 degrees clockwise from the long side points 3 degrees below +X on the sheet."""
    found = [c for layer, c in layer_contours(records.plate()) if layer.startswith("TO_MAKE_HOLES_SQUARE")]
    normals = []
    for contour in found:
        left, bottom, right, top = contour.bounds()
        flat = max(contour.segments(), key=lambda pair: math.dist(pair[0][:2], pair[1][:2]))
        (ax, ay, _), (bx, by, _) = flat
        across = (ax + bx) / 2 - (left + right) / 2, (ay + by) / 2 - (bottom + top) / 2
        normals.append(math.degrees(math.atan2(across[1], across[0])) % 90)
    assert normals == pytest.approx([(-turn) % 90 for turn in (0.0, 3.0, 44.0, 88.0)], abs=1e-6)


def test_fragments_are_closed_by_what_is_there() -> None:
    """As found a ring fragment closes by radial lines, to make it is whole; a flat on a shaft stays a flat."""
    both = layer_contours(records.fragment(), AS_FOUND)
    whole = {layer: contour.area() for layer, contour in both if layer.startswith("TO_MAKE")}
    assert whole["TO_MAKE_OUTSIDE_Z0.00-3.00"] == pytest.approx(math.pi * 64, rel=1e-9)
    assert whole["TO_MAKE_HOLES_ROUND_Z0.00-3.00"] == pytest.approx(math.pi * 25, rel=1e-9)
    ring = [one for one in both if one[0].startswith("AS_FOUND")]
    assert [layer for layer, _ in ring] == ["AS_FOUND_OUTSIDE_Z0.00-3.00"]
    assert ring[0][1].area() == pytest.approx(140 / 360 * math.pi * (64 - 25), rel=1e-9)
    _left, bottom, _right, top = ring[0][1].bounds()
    assert bottom < -7.9 and top < 0  # 20 to 160 degrees clockwise from +x lies below on the sheet
    assert layer_contours(records.d_shaft())[0][1].closed


def test_a_single_slice_and_an_empty_record_still_give_a_file(tmp_path: Path) -> None:
    """Without depth the layers say so; without features the file is empty, yet valid."""
    write_outlines(records.single_slice(), tmp_path / "one.dxf")
    names = {entity.dxf.layer for entity in read(tmp_path / "one.dxf").modelspace()}
    assert names == {"TO_MAKE_OUTSIDE_NO_DEPTH", "TO_MAKE_HOLES_ROUND_NO_DEPTH"}
    write_outlines(records.nothing(), tmp_path / "none.dxf")
    assert len(read(tmp_path / "none.dxf").modelspace()) == 0


def test_two_runs_give_equal_bytes(tmp_path: Path) -> None:
    """The file carries no date and no random id."""
    for name in ("a.dxf", "b.dxf"):
        write_outlines(records.hub(), tmp_path / name)
    assert (tmp_path / "a.dxf").read_bytes() == (tmp_path / "b.dxf").read_bytes()


def test_a_folder_that_is_not_there_is_one_sentence(tmp_path: Path) -> None:
    """Writing into nowhere raises the project's own error and leaves nothing behind."""
    with pytest.raises(InputFileError, match="cannot be written"):
        write_outlines(records.hub(), tmp_path / "nowhere" / "outlines.dxf")
    assert not list(tmp_path.iterdir())
