"""The report: one HTML file with pictures, numbers and reasons, complete in itself.

It needs no network and runs no script. Every text that comes from files is escaped.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from math import hypot, radians
from pathlib import Path
from typing import Protocol, TypeVar

from ctrecon.core.files import write_whole
from ctrecon.core.flags import explain
from ctrecon.core.measured import Measured, decimals_for, expanded, format_percent, format_short, format_u, format_value
from ctrecon.core.threads import in_one_thread
from ctrecon.plots import depth_chart, residual_plot, slice_with_fits
from ctrecon.record.explained import Explained
from ctrecon.record.kinds import REQUIRED, kind_of, kind_words
from ctrecon.record.measurement import Measurement, need_part
from ctrecon.record.part import Feature, Part, Piece, depths_in_part_frame, place_in_part_frame, scale_u_of
from ctrecon.record.pictures import FaceSeamPicture, SeamPicture, SlicePicture
from ctrecon.record.sensitivity import expanded_of
from ctrecon.report.budgets import budget_rows, image_facts
from ctrecon.report.checks import BASES, checks_of, is_close, percent
from ctrecon.report.embedded_images import Picture, figure_uri
from ctrecon.report.explained import explained_view
from ctrecon.report.seams import exploded_picture, seam_cards
from ctrecon.report.template import page_template
from ctrecon.workshop.printed import intended_rows, stock_rows

__all__ = ["HasPartAndPictures", "NamedSlices", "report_html", "write_report"]

PICTURES_MOST = 8
_T = TypeVar("_T")

_PLACE = ("x_mm", "y_mm", "depth_from_mm", "depth_to_mm", "length_mm")
_SIZES = (
    "diameter_mm",
    "flats_mm",
    "flats_pair_mm",
    "tip_diameter_mm",
    "root_diameter_mm",
    "inner_diameter_mm",
    "tooth_width_mm",
    "area_mm2",
    "seam_mm",
)
_OTHERS = ("turn_deg", "pitch_deg", "corner_radius_mm", "taper_mm_per_mm", "roundness_mm")
_MAY_BE_NONE = ("corner_radius_mm", "taper_mm_per_mm", "roundness_mm")
"""Of these a figure within its U says that nothing was seen, not how much there is."""
_WORDS = {
    "x_mm": "x",
    "y_mm": "y",
    "depth_from_mm": "depth from",
    "depth_to_mm": "depth to",
    "length_mm": "length",
    "diameter_mm": "diameter",
    "flats_mm": "across flats",
    "tip_diameter_mm": "tip diameter",
    "root_diameter_mm": "root diameter",
    "inner_diameter_mm": "inner diameter",
    "tooth_width_mm": "tooth thickness half-way up",
    "pitch_deg": "tooth pitch",
    "teeth": "teeth",
    "area_mm2": "area",
    "seam_mm": "seam thickness",
    "turn_deg": "turn",
    "corner_radius_mm": "corner radius",
    "taper_mm_per_mm": "taper, mm per mm",
    "roundness_mm": "roundness",
    "opens_at": "opens at",
    "outline_mm": "outline",
    "arc_deg": "arc",
    "arc_from_deg": "arc starts at",
    "probability_separate": "probability that it is separate",
}
_VERDICTS = {
    "separate": "a separate piece is suggested",
    "one_piece": "one piece",
    "undecided": "undecided",
}


class HasPartAndPictures(Protocol):
    """What a measurement must offer to be reported."""

    @property
    def part(self) -> Part:
        """The record."""
        ...

    @property
    def pictures(self) -> tuple[SlicePicture, ...]:
        """Slices to show."""
        ...

    @property
    def seam_pictures(self) -> tuple[SeamPicture | FaceSeamPicture, ...]:
        """Seams to show."""
        ...


class NamedSlices(Protocol):
    """What a stack must offer: the file name of each slice."""

    @property
    def names(self) -> tuple[str, ...]:
        """One name a slice, empty for a missing one."""
        ...


@dataclass(frozen=True)
class Number:
    """A quantity as printed; without a value it is unknown and `why` says why."""

    name: str
    value: str
    spread: str = ""
    unit: str = ""
    why: str = ""


@dataclass(frozen=True)
class Row:
    """One feature as printed."""

    id: str
    kind: str
    basis: str
    flags: tuple[str, ...]
    sizes: tuple[Number, ...]
    place: tuple[Number, ...]
    others: tuple[Number, ...]
    reasons: tuple[str, ...]
    unlikely: tuple[str, ...]


@dataclass(frozen=True)
class PieceCard:
    """One piece as printed."""

    id: str
    name: str
    verdict: str
    depths: tuple[Number, ...]
    chance: str
    evidence: tuple[tuple[str, str, str], ...]
    features: str
    reasons: tuple[str, ...]


def _unit(name: str) -> str:
    if name.endswith("_deg"):
        return "\N{DEGREE SIGN}"
    return {"_mm2": " mm²"}.get(name[-4:], "" if name == "taper_mm_per_mm" else " mm")


def _number(
    part: Part, name: str, value: Measured | None, why: str = "", label: str = "", of: Feature | None = None
) -> Number:
    """Round one quantity, of a feature where one is given, by its U, or give its reason."""
    shown = label or _WORDS.get(name, name.replace("_", " "))
    if value is None:
        return Number(shown, "", why=why)
    spread = expanded(value, scale_u_of(part, name)) if of is None else expanded_of(part, of, name, value)
    digits = decimals_for(spread, most=6 if name == "taper_mm_per_mm" else 4)
    return Number(shown, format_value(value.value, digits), format_u(spread, digits), _unit(name))


def _sizes(part: Part, feature: Feature) -> Iterator[Number]:
    for name in _SIZES:
        value = getattr(feature, name)
        if name == "flats_pair_mm" and value is not None:
            labels = [size.label for size in kind_of(feature).sizes if size.field == name]
            for one, label in zip(value, labels, strict=True):
                yield _number(part, name, one, label=label, of=feature)
        elif value is not None or (name in REQUIRED[feature.kind] and name in feature.unknown):
            yield _number(part, name, value, "unknown", of=feature)


def _others(part: Part, feature: Feature) -> Iterator[Number]:
    for name in _OTHERS:
        value = getattr(feature, name)
        if value is not None:
            shown = _number(part, name, value, of=feature)
            spread = expanded_of(part, feature, name, value)
            none = name in _MAY_BE_NONE and spread is not None and abs(value.value) <= spread
            yield Number(shown.name, "none seen", shown.spread) if none else shown
    if feature.sides is not None:
        yield Number("sides", str(feature.sides))
    if feature.teeth is not None:
        yield Number("teeth", str(feature.teeth))
    elif feature.teeth_range is not None:
        fewest, most = feature.teeth_range
        yield Number("teeth", f"{fewest}\N{EN DASH}{most}")
    if feature.teeth_present is not None:
        yield Number("teeth left", str(feature.teeth_present))
    if feature.arc_deg is not None and feature.arc_deg < 360:
        start = "" if feature.arc_from_deg is None else f" from {format_value(feature.arc_from_deg, 1)}\N{DEGREE SIGN}"
        yield Number("arc", f"{format_value(feature.arc_deg, 1)}\N{DEGREE SIGN}{start}")
    if feature.rim_share is not None and feature.rim_share < 0.995:
        yield Number("rim used", format_percent(feature.rim_share))
    if feature.opens_at is not None:
        yield Number("opens at", " and ".join(feature.opens_at) or "neither end")
    if feature.slices_used is not None:
        yield Number("slices used", f"{feature.slices_used[0]}\N{EN DASH}{feature.slices_used[1]}")


def _reasons(unknown: Sequence[tuple[str, str]]) -> tuple[str, ...]:
    """Return one sentence a reason, with the quantities it covers."""
    by_reason: dict[str, list[str]] = {}
    for name, why in unknown:
        by_reason.setdefault(why, []).append(_WORDS.get(name, name.replace("_", " ")))
    return tuple(f"Not known: {', '.join(names)} ({why})" for why, names in by_reason.items())


def _row(part: Part, feature: Feature) -> Row:
    unknown = feature.unknown
    place = tuple(
        _number(part, name, getattr(feature, name), unknown.get(name, "not measured"), of=feature) for name in _PLACE
    )
    return Row(
        id=feature.id,
        kind=kind_words(feature),
        basis=feature.basis,
        flags=feature.flags,
        sizes=tuple(_sizes(part, feature)),
        place=place,
        others=tuple(_others(part, feature)),
        reasons=(
            *_reasons(list(unknown.items())),
            *(one.says for one in feature.alternatives if is_close(one)),
            *(() if feature.worn is None else (feature.worn.says,)),
        ),
        unlikely=tuple(one.says for one in feature.alternatives if not is_close(one)),
    )


def _piece(part: Part, piece: Piece) -> PieceCard:
    depths = (
        _number(part, "depth_from_mm", piece.depth_from_mm, "unknown"),
        _number(part, "depth_to_mm", piece.depth_to_mm, "unknown"),
    )
    chance = piece.probability_separate
    return PieceCard(
        id=piece.id,
        name=piece.name,
        verdict=_VERDICTS.get(piece.verdict, piece.verdict),
        depths=depths,
        chance="" if chance is None else percent(chance),
        evidence=tuple(
            (one.says, ", ".join(one.features), format_value(one.weight, 1, sign=True)) for one in piece.evidence
        ),
        features=", ".join(piece.features),
        reasons=_reasons(list(piece.unknown.items())),
    )


@dataclass(frozen=True)
class FormRow:
    """The form of one feature as printed: roundness about four references, then sentences."""

    id: str
    kind: str
    roundness: tuple[Number, ...]
    says: tuple[str, ...]


_WITHIN_NOISE = ("not significant", "within what noise explains", "equal within U")
"""How sentences say that a figure is no more than noise makes: the report folds these away."""

_REFERENCES = ("roundness_mm", "roundness_mz_mm", "roundness_mc_mm", "roundness_mi_mm")
_RELATIONS = {
    "Patterns of holes": ("divided_circle", "circle_of_holes", "even_pitch", "in_line", "symmetric", "equal_size"),
    "Axes": ("axis_offset", "axes_angle"),
    "Flats and faces": ("flats_square", "flats_parallel", "flats_differ", "equal_turn", "faces_wedge"),
    "Centre distances": ("centre_distance",),
    "Centre distances developed flat": ("centre_distance_flat",),
}


def _form(part: Part) -> Iterator[FormRow]:
    for one in part.features:
        if not (one.form or one.form_says):
            continue
        named = [(name, one.form.get(name)) for name in _REFERENCES] if "roundness_mm" in one.form else []
        numbers = tuple(_number(part, "roundness_mm", value, "the points hold no such circle") for _, value in named)
        yield FormRow(one.id, kind_words(one), numbers, one.form_says)


def _relations(part: Part) -> Iterator[tuple[str, tuple[tuple[str, str], ...]]]:
    """Yield heading, and sentence with margin, of each group of relations."""
    for heading, kinds in _RELATIONS.items():
        some = [one for kind in kinds for one in part.relations if one.kind == kind]
        even = [one for one in some if one.kind == "axes_angle" and "not significant" in one.says]
        told = [one for one in some if len(even) < 2 or one not in even]
        lines = [(one.says, "" if one.margin is None else format_value(one.margin, 1)) for one in told]
        if len(even) > 1:  # many parallel axes say one thing
            pairs = [(one, _number(part, "turn_deg", one.value)) for one in even]
            listed = ", ".join(f"{' and '.join(one.features)} (U {n.spread}\N{DEGREE SIGN})" for one, n in pairs)
            lines.append((f"Axes parallel within what noise explains: {listed}", ""))
        if lines:
            yield heading, tuple(lines)


def _parted(rows: Sequence[_T], says: Callable[[_T], Sequence[str]]) -> tuple[list[_T], list[_T]]:
    """Return the rows that say something, and those of which noise explains every sentence."""

    def is_noise(one: _T) -> bool:
        return bool(says(one)) and all(any(words in text for words in _WITHIN_NOISE) for text in says(one))

    return [one for one in rows if not is_noise(one)], [one for one in rows if is_noise(one)]


def _has_axis(feature: Feature) -> bool:
    """Return whether the feature has a place and runs along the part axis."""
    placed = feature.x_mm is not None and feature.y_mm is not None
    return placed and "not_along_depth" not in feature.flags and not kind_of(feature).is_face


def _across(feature: Feature) -> float:
    """Return the largest size square to the axis, 0 where none is known."""
    return max((size.value for _, size in kind_of(feature).known(feature)), default=0.0)


def _reference(part: Part) -> Feature | None:
    """Return the feature others are placed from: the largest outside, else the first that has a place."""
    placed = [one for one in part.features if _has_axis(one)]
    outsides = [one for one in placed if kind_of(one).is_body]
    if outsides:
        return max(outsides, key=_across)
    return placed[0] if placed else None


def _offsets(part: Part) -> tuple[str, tuple[tuple[str, str, Number, Number], ...]]:
    """Return the reference's id and (id, kind, X, Y) of every other axis from it: part frame, Y up."""
    base = _reference(part)
    if base is None or base.x_mm is None or base.y_mm is None:
        return "", ()
    x0, y0 = place_in_part_frame(part, base)
    z0 = sum(depths_in_part_frame(part, base)) / 2
    lean = 0.0 if part.axis is None or part.axis.direction_u_deg is None else radians(part.axis.direction_u_deg)
    rows = []
    for one in part.features:
        if one is base or not _has_axis(one) or one.x_mm is None or one.y_mm is None:
            continue
        x, y = place_in_part_frame(part, one)
        sway = lean * abs(sum(depths_in_part_frame(part, one)) / 2 - z0)  # a wrong axis moves what lies deeper
        ux = None if one.x_mm.u is None or base.x_mm.u is None else hypot(one.x_mm.u, base.x_mm.u, sway)
        uy = None if one.y_mm.u is None or base.y_mm.u is None else hypot(one.y_mm.u, base.y_mm.u, sway)
        right, up = Measured(x - x0, ux), Measured(y0 - y, uy)
        rows.append((one.id, kind_words(one), _number(part, "x_mm", right), _number(part, "y_mm", up)))
    return base.id, tuple(rows)


def _pictures(part: Part, pictures: Sequence[SlicePicture], names: Sequence[str]) -> Iterator[Picture]:
    """Draw at most eight slices, spread over those given."""
    ordered = sorted(pictures, key=lambda one: one.index)
    if len(ordered) > PICTURES_MOST:
        ordered = [ordered[round(k * (len(ordered) - 1) / (PICTURES_MOST - 1))] for k in range(PICTURES_MOST)]
    for one in ordered:
        depth = f"slice {one.index}, depth {format_value(one.index * part.stack.voxel_mm[0], 3)} mm"
        name = names[one.index] if 0 <= one.index < len(names) else ""
        seen = ", ".join(dict.fromkeys(ident for ident, _ in one.curves)) or "no curves"
        yield Picture(figure_uri(slice_with_fits(one, part, title=depth)), name, f"{depth}; drawn on it: {seen}")


def _scale_text(scale: tuple[float | None, ...]) -> str:
    if all(one is None for one in scale):
        return "not stated"
    shown = ", ".join("not stated" if one is None else f"{format_short(100 * one, 3)} %" for one in scale)
    return f"{shown} (standard uncertainty along depth, row, column)"


def report_html(
    part: Part,
    pictures: Sequence[SlicePicture] = (),
    names: Sequence[str] = (),
    *,
    seams: Sequence[SeamPicture | FaceSeamPicture] = (),
    explained: Explained | None = None,
) -> str:
    """Return the report as HTML text.

    Parameters
    ----------
    part : Part
        The record.
    pictures : sequence of SlicePicture
        Slices to show; of more than eight, eight spread over them.
    names : sequence of str
        File name of each slice of the stack, where known.
    seams : sequence of SeamPicture or FaceSeamPicture
        Seams to show.
    explained : Explained or None
        How far the record explains the scan, where that was looked at.
    """
    reference, offsets = _offsets(part)
    flags = sorted({flag for one in part.features for flag in one.flags})
    carried = [(flag, explain(flag), ", ".join(one.id for one in part.features if flag in one.flags)) for flag in flags]
    measured_depths = part.features and part.stack.slices > 1
    fitted = any(one.fit_rms_noise is not None for one in part.features)
    scale = part.stack.scale_u_rel
    assumed = part.stack.handedness_basis == "assumed"
    checks, more_checks = checks_of(part, pictures)
    form, even_form = _parted(list(_form(part)), lambda one: one.says)
    relations = [(heading, *_parted(lines, lambda one: one[:1])) for heading, lines in _relations(part)]
    return page_template("ctrecon.report", "template.html").render(
        part=part,
        u_heading="U without scale" if None in scale else "U",
        scale_text=_scale_text(scale),
        voxel_text=" \N{MULTIPLICATION SIGN} ".join(format_short(one, 6) for one in part.stack.voxel_mm),
        scale_basis=BASES.get(part.stack.scale_basis, part.stack.scale_basis),
        handedness=BASES.get(part.stack.handedness_basis, part.stack.handedness_basis),
        checks=checks,
        more_checks=more_checks,
        warnings=[one for one in part.warnings if not (assumed and one.flag == "handedness_assumed")],
        tilt=None if part.axis is None else _number(part, "tilt_deg", part.axis.tilt_deg),
        reasons=_reasons(list(part.unknown.items())),
        pictures=list(_pictures(part, pictures, names)),
        chart=figure_uri(depth_chart(part)) if measured_depths else "",
        rows=[_row(part, one) for one in part.features],
        flags=carried,
        reference=reference,
        offsets=offsets,
        pieces=[_piece(part, one) for one in part.pieces],
        seams=seam_cards(part, seams),
        exploded=exploded_picture(part),
        form=form,
        even_form=even_form,
        relations=relations,
        stock=stock_rows(part),
        intended=intended_rows(part),
        residuals=figure_uri(residual_plot(part)) if fitted else "",
        explained=explained_view(part, explained, names),
        budget=budget_rows(part),
        facts=image_facts(part),
    )


@in_one_thread
def write_report(
    measurement: HasPartAndPictures | Part,
    stack: NamedSlices | None,
    path: str | Path,
    *,
    explained: Explained | None = None,
) -> None:
    """Write the report, whole or not at all; the same measurement gives the same bytes.

    Parameters
    ----------
    measurement : Measurement or Part
        Record and pictures; a record alone has no pictures of its slices.
    stack : SliceStack or None
        Names the file of each slice shown.
    path : str or Path
        HTML file to write; its folder must be there.
    explained : Explained or None
        How far the record explains the scan, where that was looked at.

    Raises
    ------
    InputFileError
        If the file cannot be written.

    Examples
    --------
    >>> from pathlib import Path
    >>> from ctrecon import read_part, write_report
    >>> write_report(read_part("drum_hub_out/part.json"), None, "report.html")
    >>> Path("report.html").read_text(encoding="utf-8")[:15]
    '<!DOCTYPE html>'
    """
    if isinstance(measurement, Part):
        measurement = Measurement(measurement)
    need_part(getattr(measurement, "part", measurement), "write_report")
    names = () if stack is None else stack.names
    text = report_html(
        measurement.part, measurement.pictures, names, seams=measurement.seam_pictures, explained=explained
    )
    write_whole(path, text.encode("utf-8", "replace"))  # file names may hold bytes that are not text
