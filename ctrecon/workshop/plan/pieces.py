"""Working sheets: each size of each piece to make, with its limits or fit, beside what was found."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from ctrecon.core.measured import format_short, format_value
from ctrecon.workshop.assembly.model import Assembly, PlannedPart, PlannedSize
from ctrecon.workshop.fits.choose import FitChoice
from ctrecon.workshop.fits.iso286 import Limits
from ctrecon.workshop.plan.joints import Joint, find_joints, runs_clear
from ctrecon.workshop.plan.model import PieceSheet, ReliefArc, SizeRow
from ctrecon.workshop.plan.running import PlannedRelief
from ctrecon.workshop.plan.stock import PartStock

__all__ = ["MADE_TO_MM", "piece_sheets", "sizes_to_make"]

MADE_TO_MM = 2
"""Sizes to make are given to so many decimals of a mm: finer is not set on a hand-worked piece (common practice)."""


@dataclass(frozen=True)
class _Limits:
    text: str
    note: str


def sizes_to_make(assembly: Assembly, stocks: Sequence[PartStock]) -> dict[str, float]:
    """Return the size to make (mm) by key: as found, rounded; as the stock has it; as made; or as the mate asks.

    Parameters
    ----------
    assembly : Assembly
        Its parts with their sizes.
    stocks : sequence of PartStock
        What each part is cut from: a thickness left as the sheet has it is that of the sheet.
    """
    out = {
        key: size.value if size.basis == "made" else round(size.value, MADE_TO_MM)
        for key, size in assembly.sizes.items()
    }
    for stock in stocks:
        key = f"{stock.part}.thickness"
        if stock.thickness_mm is not None and key in out and assembly.sizes[key].basis != "made":
            out[key] = stock.thickness_mm
    joints = find_joints(assembly)
    for joint in joints:
        mate = joint.mate
        if mate is None or not joint.alike:
            continue
        if joint.moving and joint.hole.size_key not in assembly.overrides.fits and runs_clear(assembly, joint):
            continue
        if mate.basis == "made":  # the hole still to make follows it
            if joint.size.basis != "made":
                out[joint.hole.size_key] = mate.value
            continue
        # one size for hole and shaft; a shaft in several holes takes the smallest
        others = [
            out[one.hole.size_key] for one in joints if one.mate is not None and one.mate.key == mate.key and one.alike
        ]
        out[mate.key] = min(others)
    return out


def piece_sheets(
    assembly: Assembly,
    to_make: Mapping[str, float],
    stocks: Sequence[PartStock],
    fits: Sequence[tuple[Joint, FitChoice | None, object]],
    reliefs: Sequence[PlannedRelief],
) -> tuple[PieceSheet, ...]:
    """Return the working sheet of every part, top of the stack first."""
    limits = _fit_limits(fits)
    by_part = {one.part: one for one in stocks}
    return tuple(_sheet(assembly, part, to_make, by_part.get(part.id), limits, reliefs) for part in assembly.parts)


def _fit_limits(fits: Sequence[tuple[Joint, FitChoice | None, object]]) -> dict[str, _Limits]:
    out: dict[str, _Limits] = {}
    for joint, choice, _ in fits:
        if choice is None or joint.mate is None:
            continue
        trust = "" if choice.trusted else "; fit to each other, do not trust the number"
        hole_mate, mate_hole = joint.part.name, joint.hole_part.name
        if joint.size.basis != "made":
            out[joint.size.key] = _Limits(_signed(choice.fit.hole), f"fit to {hole_mate}{trust}")
        if joint.mate.basis != "made":
            out[joint.mate.key] = _Limits(_signed(choice.fit.shaft), f"fit to {mate_hole}{trust}")
    return out


def _signed(limits: Limits) -> str:
    upper, lower = (
        format_value(one / 1000, 3, sign=True) if one else "0" for one in (limits.upper_um, limits.lower_um)
    )
    return f"{limits.code} ({upper} / {lower})"


def _sheet(
    assembly: Assembly,
    part: PlannedPart,
    to_make: Mapping[str, float],
    stock: PartStock | None,
    limits: Mapping[str, _Limits],
    reliefs: Sequence[PlannedRelief],
) -> PieceSheet:
    rows = [
        _row(assembly, part, size, to_make, stock, limits)
        for key, size in part.sizes.items()
        if not _only_for_chains(key)
    ]
    notes = list(part.notes)
    for one in reliefs:
        if one.part == part.id:
            notes.append(f"Relief for {assembly[one.for_part].name}: {one.relief.reason}.")
    for hole in part.holes:
        if hole.axis is None or part.role != "plate":
            continue
        x, y = hole.place.xy
        u = hole.place.u
        shown = "" if u is None else f", U {format_value(2 * u, 3)} mm"
        notes.append(
            f"Hole {_axis_name(assembly, hole.axis)} as found at X {format_value(x, 3)}, Y "
            f"{format_value(y, 3)} mm of the "
            f"assembly{shown}; it is drilled by the set-up, not by this figure."
        )
    return PieceSheet(
        part=part.id,
        name=part.name,
        role=part.role,
        material=part.material or "not said",
        stock=stock.says if stock is not None else "Bought.",
        rows=tuple(rows),
        notes=tuple(notes),
        reliefs=tuple(
            ReliefArc(
                for_part=one.for_part,
                x=one.relief.centre[0],
                y=one.relief.centre[1],
                radius_mm=one.relief.radius,
                depth_mm=one.relief.depth,
            )
            for one in reliefs
            if one.part == part.id
        ),
    )


def _only_for_chains(key: str) -> bool:
    """Return whether a size is the distance of two faces that a chain needed: its lengths are on the sheet already."""
    return key.endswith(".height")


def _axis_name(assembly: Assembly, axis: str) -> str:
    return next((one.name for one in assembly.axes if one.id == axis), axis)


def _sign(part: PlannedPart, key: str) -> str:
    signs = {one.size_key: one.form.sign for one in part.steps} | {one.size_key: one.form.sign for one in part.holes}
    return signs.get(key, "")


def _row(
    assembly: Assembly,
    part: PlannedPart,
    size: PlannedSize,
    to_make: Mapping[str, float],
    stock: PartStock | None,
    limits: Mapping[str, _Limits],
) -> SizeRow:
    found = part.measured.get(size.key, size)
    made = size.size if size.basis == "made" else None
    limit = limits.get(size.key)
    tolerance = f"±{format_short(assembly.shop.length_tolerance_mm)}"
    note = ""
    if limit is not None:
        tolerance, note = limit.text, limit.note
    elif size.key == f"{part.id}.thickness" and stock is not None and stock.thickness_mm is not None:
        tolerance, note = "as the sheet has it", "no work on the faces"
    if made is not None:
        tolerance, note = "", "made; the plan goes on from this"
    return SizeRow(
        key=size.key,
        what=_words(part, size),
        sign=_sign(part, size.key),
        to_make=to_make.get(size.key),
        tolerance=tolerance,
        as_found=found,
        made=made,
        note=note,
    )


def _words(part: PlannedPart, size: PlannedSize) -> str:
    """Return what a size is called on the part's own sheet: without the part's name."""
    words = size.words
    for ending in (f" of {part.id}", f" in {part.id}"):
        words = words.removesuffix(ending)
    return words
