"""Tables of all stacks: what became of each, and every feature of every one."""

import csv
from collections.abc import Iterable
from pathlib import Path

from ctrecon.batch.entry import Entry
from ctrecon.core.tables import write_table

__all__ = ["ALL_FEATURES", "SUMMARY", "write_all_features", "write_summary"]

SUMMARY, ALL_FEATURES = "summary.csv", "features.csv"
_COLUMNS = (
    "stack", "results", "outcome", "features", "pieces", "across_mm", "deep_mm", "voxel_dz_mm", "voxel_dy_mm",
    "voxel_dx_mm", "flags", "says",
)  # fmt: skip
_OF_ONE = ("feature", "kind", "quantity", "value", "u_k1", "U_k2", "basis", "flags", "why_unknown")
_SCALE_UNKNOWN = "U_k2_without_scale"


def write_summary(entries: Iterable[Entry], path: Path) -> None:
    """Write one row a stack."""
    write_table(path, _COLUMNS, map(_summary_row, entries))


def _summary_row(entry: Entry) -> list[object]:
    part = entry.part
    counts = ["", ""] if part is None else [len(part.features), len(part.pieces)]
    voxel = ["", "", ""] if part is None else [f"{edge:.9g}" for edge in part.stack.voxel_mm]
    flags = "" if part is None else " ".join(sorted({warning.flag for warning in part.warnings}))
    about = ["" if size is None else f"{size:.2f}" for size in (entry.across_mm, entry.deep_mm)]
    says = f"the same slices as {entry.same_as}" if entry.same_as else entry.says
    return [entry.stack, entry.results, entry.outcome, *counts, *about, *voxel, flags, says]


def write_all_features(entries: Iterable[Entry], out: Path) -> None:
    """Join the tables of features of all stacks; whether U holds the part of the scale stands in each row."""
    rows = []
    for entry in entries:
        path = out / entry.results / "features.csv"
        if entry.part is None or not path.is_file():
            continue
        with path.open(encoding="utf-8", newline="") as file:
            for row in csv.DictReader(file):
                without = _SCALE_UNKNOWN in row
                row["U_k2"] = row.get(_SCALE_UNKNOWN) or row.get("U_k2") or ""
                rows.append([entry.stack, *(row.get(name) or "" for name in _OF_ONE), "no" if without else "yes"])
    write_table(out / ALL_FEATURES, ("stack", *_OF_ONE, "U_holds_scale"), rows)
