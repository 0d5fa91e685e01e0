"""U as it is printed: what an unknown grey scale does to all edges alike is in it where it does not cancel."""

import csv
import math
from dataclasses import replace
from pathlib import Path

from ctrecon.core.measured import Measured
from ctrecon.record.part import Feature, ImageInfo, Part, StackInfo
from ctrecon.record.sensitivity import expanded_of, signed_edge_u_of, with_sensitivity
from ctrecon.record.store import write_features_csv

U, EDGE_PX, VOXEL = 0.002, 0.05, 0.1


def _part() -> Part:
    def m(value: float) -> Measured:
        return Measured(value, U)

    rim = Feature(
        id="F1", kind="round_outside", x_mm=m(5.0), y_mm=m(5.0), depth_from_mm=m(1.0), depth_to_mm=m(3.0),
        length_mm=m(2.0), diameter_mm=m(6.0),
    )  # fmt: skip
    bore = replace(rim, id="F2", kind="round_hole", diameter_mm=m(2.0), opens_at=("start", "end"))
    stack = StackInfo(source="s", slices=50, rows=100, columns=100, voxel_mm=(VOXEL,) * 3, scale_basis="stated")
    return with_sensitivity(
        Part(name="bush", made_with="", stack=stack, axis=None, features=(rim, bore), image=ImageInfo(edge_u_px=EDGE_PX))
    )


def test_printed_u_of_sizes_depths_and_lengths_holds_the_common_edge() -> None:
    """U = 2 sqrt(u² + (sensitivity x edge u)²), the contract's rule 2: 2 e on a diameter or a length, e on a depth, 0 on a place."""
    part = _part()
    edge = EDGE_PX * VOXEL
    rim = part.features[0]
    for name, times in (("diameter_mm", 2), ("length_mm", 2), ("depth_from_mm", 1), ("x_mm", 0)):
        printed = expanded_of(part, rim, name, getattr(rim, name))
        assert printed is not None and math.isclose(printed, 2 * math.hypot(U, times * edge)), name
    # an outside grows where a bore shrinks: the sum of both sizes feels nothing
    assert math.isclose(sum(signed_edge_u_of(part, f, "diameter_mm") for f in part.features), 0.0, abs_tol=1e-12)


def test_the_table_of_features_and_the_csv_print_the_same_u(tmp_path: Path) -> None:
    """The sheet's table and features.csv hold the U of the rule above; depths from the start face know that it moves too."""
    from ctrecon.drawing.model.rows import rows_of
    from ctrecon.drawing.model.views import build_model

    part = _part()
    write_features_csv(part, tmp_path / "features.csv")
    with (tmp_path / "features.csv").open(encoding="utf-8") as file:
        rows = {(row["feature"], row["quantity"]): float(row["U_k2_without_scale"] or "nan") for row in csv.DictReader(file)}
    wanted = 2 * math.hypot(U, 2 * EDGE_PX * VOXEL)
    assert math.isclose(rows["F1", "diameter_mm"], wanted, rel_tol=1e-5)
    model = build_model(part)
    cells = rows_of(model, model.of("F1"))[0].cells
    assert cells[4] == f"{wanted:.2f}"
    depth = 2 * math.hypot(U, U, 2 * EDGE_PX * VOXEL)  # from face to face, which move apart
    assert cells[7] == f"{depth:.2f}"
