"""What commands print: the table of a part, the files written, and progress on a terminal."""

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ctrecon.core.progress import Progress
    from ctrecon.record.part import Feature, Part

__all__ = ["feature_table", "print_files", "print_part", "progress_bar"]

_SIZES = (
    ("diameter_mm", "diameter"), ("flats_mm", "flats"), ("flats_pair_mm", "flats"), ("tip_diameter_mm", "tips"),
    ("root_diameter_mm", "roots"), ("inner_diameter_mm", "inside"), ("pitch_deg", "pitch deg"),
    ("seam_mm", "seam"), ("area_mm2", "area mm2"), ("turn_deg", "turn deg"),
    ("taper_mm_per_mm", "taper mm/mm"), ("length_mm", "length"),
)  # fmt: skip
_HEAD = ("", "feature", "size", "value", "U", "depth")


@contextmanager
def progress_bar(*, whole: bool = False) -> Iterator["Progress | None"]:
    """Lend a progress callback that draws on stderr; None where that is not a terminal.

    The bar shows what is told as it is told, or `whole`: one measurement with all its outputs from 0 to 100 %.
    """
    if not sys.stderr.isatty():
        yield None
        return
    from tqdm.auto import tqdm

    from ctrecon.core.progress import Standing, Whole

    class Bar(tqdm):  # type: ignore[type-arg]
        monitor_interval = 0  # no second thread, with which the process could not be split in two

    total, shape = (100, "{percentage:3.0f} %|{bar:30}| {desc}") if whole else (None, None)
    with Bar(file=sys.stderr, leave=False, dynamic_ncols=True, total=total, bar_format=shape) as bar:

        def show(one: Standing) -> None:
            bar.set_description_str(one.says, refresh=not bar.desc.startswith(one.stage))
            bar.update(100 * one.share - bar.n)

        def tell(stage: str, done: int, total: int) -> None:
            if bar.desc != f"{stage}: " or bar.total != total:
                bar.reset(total=total)
                bar.set_description(stage, refresh=False)
            bar.update(done - bar.n)

        yield Whole(show) if whole else tell


def _rows_of(part: "Part", feature: "Feature") -> Iterator[tuple[str, ...]]:
    from ctrecon.core.measured import Measured, decimals_for, format_u, format_value
    from ctrecon.record.sensitivity import expanded_of

    def number(one: Measured | None, quantity: str) -> tuple[str, str]:
        if one is None:
            return "unknown", ""
        u = expanded_of(part, feature, quantity, one)
        decimals = decimals_for(u)
        return format_value(one.value, decimals), format_u(u, decimals)

    depth = " to ".join(number(getattr(feature, name), name)[0] for name in ("depth_from_mm", "depth_to_mm"))
    what = feature.kind.replace("_", " ") + (f" '{feature.name}'" if feature.name else "")
    lead, tail = (feature.id, what), depth
    for name, label in _SIZES:
        raw = getattr(feature, name)
        if raw is None and name not in feature.unknown:
            continue
        if name == "flats_pair_mm" and feature.flats_mm is not None:
            continue  # their mean stands in the line above; both are in features.csv
        for one in raw if isinstance(raw, tuple) else (raw,):
            yield (*lead, label, *number(one, name), tail)
            lead, tail = ("", ""), ""
    if feature.teeth is not None or feature.teeth_range is not None:
        counts = sorted({*(feature.teeth_range or ()), *([feature.teeth] if feature.teeth else [])})
        yield (*lead, "teeth", " to ".join(str(one) for one in counts), "", tail)
        lead, tail = ("", ""), ""
    if tail:
        yield (*lead, "", "", "", tail)


def feature_table(part: "Part") -> list[str]:
    """Return the table of features: one line a size, with value and U (k = 2), in mm."""
    rows = [_HEAD, *(row for feature in part.features for row in _rows_of(part, feature))]
    widths = [max(len(row[column]) for row in rows) for column in range(len(_HEAD))]
    right = {3, 4}
    return [
        "  ".join(
            cell.rjust(width) if column in right else cell.ljust(width)
            for column, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]


def print_part(part: "Part") -> None:
    """Print features and pieces to stdout, warnings to stderr."""
    scaled = all(one is not None for one in part.stack.scale_u_rel)
    unit = "mm; U is measuring uncertainty, k = 2" + ("" if scaled else ", without scale")
    if part.features:
        print(f"{part.name} ({unit})")
        for line in feature_table(part):
            print(line)
    else:
        print(f"{part.name}: nothing that could be measured was found")
    for piece in part.pieces:
        print(f"piece {piece.id} {piece.name}: {piece.verdict.replace('_', ' ')}")
        for evidence in piece.evidence:
            print(f"    {evidence.says}")
    for one in part.calibration.says if part.calibration is not None else ():
        print(one)
    for warning in part.warnings:
        print(f"note: {warning.says}", file=sys.stderr)


def print_files(folder: Path, names: tuple[str, ...]) -> None:
    """Print which of these files were written, as the folder was called."""
    print("written:")
    for name in names:
        if (folder / name).exists():
            print(f"    {folder / name}")
