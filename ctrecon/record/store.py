"""Writes and reads the part record: part.json with its schema, and features.csv."""

import dataclasses
import json
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter, ValidationError
from pydantic_core import from_json

from ctrecon.core.errors import InputError, InputFileError
from ctrecon.core.files import write_whole
from ctrecon.core.measured import Measured, expanded
from ctrecon.core.numbers import LEAST_MM, unusable_numbers
from ctrecon.core.tables import write_table
from ctrecon.core.voxel import voxel_edges
from ctrecon.record.kinds import KINDS, kind_of
from ctrecon.record.measurement import need_part
from ctrecon.record.part import RELATION_KINDS, Feature, Part, Piece, scale_u_of
from ctrecon.record.sensitivity import expanded_of
from ctrecon.record.tooth import MOST_COUNTED

__all__ = ["need_sound", "part_to_json", "read_part", "record_schema", "write_features_csv", "write_part"]

SCHEMA_NAME = "ctrecon-part-1"
_BASES = ("measured", "stated", "inferred", "assumed")
_VERDICTS = ("separate", "one_piece", "undecided")
_ACROSS = 2.0  # times the diagonal of a slice: the largest outline, with room for the part's tilt
_ALWAYS = ("id", "kind", "basis", "flags", "x_mm", "y_mm", "depth_from_mm", "depth_to_mm")


def _adapter() -> TypeAdapter[Part]:
    return TypeAdapter(Part)


def _tidy(value: Any) -> Any:
    """Round floats to 9 significant digits (the same everywhere); file names may hold bytes that are not text."""
    if isinstance(value, str):
        return value.encode("utf-8", "replace").decode()
    if isinstance(value, float):
        return float(f"{value:.9g}")
    if isinstance(value, dict):
        return {key: _tidy(item) for key, item in value.items() if not (key == "scale_u" and item is None)}
    if isinstance(value, (list, tuple)):
        return [_tidy(item) for item in value]
    return value


_LEFT_OUT_EMPTY = (
    "unknown", "alternatives", "form", "form_says", "sensitivity", "budget", "teeth_odds", "tooth_places",
)  # fmt: skip
_ORDER = (
    "schema", "name", "made_with", "stack", "boundary", "axis", "features", "pieces", "hypotheses", "joints",
    "relations", "warnings", "calibration", "image", "decided", "unknown",
)  # fmt: skip


def _feature_dict(feature: Feature) -> dict[str, Any]:
    """Keep what belongs to the kind: the required fields always, the others where known or explained."""
    raw = dataclasses.asdict(feature)
    keep = {*_ALWAYS, *kind_of(feature).required, *feature.unknown}
    return {
        key: value
        for key, value in raw.items()
        if (key in keep or value is not None) and not (key in _LEFT_OUT_EMPTY and not value)
    }


def _depth_faults(at: str, one: Feature | Piece) -> Iterator[str]:
    first, last = one.depth_from_mm, one.depth_to_mm
    if first is not None and last is not None and first.value > last.value:
        yield f"{at}.depth_from_mm: lies beyond depth_to_mm"


def _faults(part: Part) -> Iterator[str]:
    """Yield what breaks the rules of the record that types alone cannot say."""
    if part.schema != SCHEMA_NAME:
        yield f"schema is '{part.schema}', expected '{SCHEMA_NAME}'"
    if part.axis is None and "axis" not in part.unknown:
        yield "axis is null without a reason in 'unknown'"
    if part.axis is not None and part.axis.direction_xyz[2] <= 0:
        yield "axis.direction_xyz: z must be above 0"
    if part.axis is not None and not math.isclose(math.hypot(*part.axis.direction_xyz), 1.0, abs_tol=1e-3):
        yield "axis.direction_xyz: must be of length 1"
    try:
        voxel_edges(part.stack.voxel_mm)
    except InputError as error:
        yield f"stack.voxel_mm: {error}"
    known = {feature.id for feature in part.features}
    if len(known) != len(part.features):
        yield "two features carry the same id"
    for number, feature in enumerate(part.features):
        at = f"features.{number}"
        if feature.kind not in KINDS:
            yield f"{at}.kind: '{feature.kind}' is not a kind of feature"
            continue
        if feature.basis not in _BASES:
            yield f"{at}.basis: '{feature.basis}' is none of {', '.join(_BASES)}"
        yield from _depth_faults(at, feature)
        for name in (*_ALWAYS[4:], *kind_of(feature).required):
            if getattr(feature, name) is None and name not in feature.unknown:
                yield f"{at}.{name}: null without a reason in 'unknown'"
        counts = (feature.teeth, feature.teeth_present, feature.sides, *(feature.teeth_range or ()))
        counts += tuple(teeth for teeth, _ in feature.teeth_odds)
        if any(one is not None and one > MOST_COUNTED for one in counts):
            yield f"{at}: no wheel has more than {MOST_COUNTED} teeth, and no polygon as many sides"
        for name, value in vars(feature).items():
            for one in value if name == "flats_pair_mm" and value else (value,):
                if isinstance(one, Measured) and one.u is not None and one.u <= 0:
                    yield f"{at}.{name}.u: must be above 0"
        yield from _outline_faults(at, feature, part)
        for place in feature.tooth_places:
            if place.angle_deg.u is not None and place.angle_deg.u < LEAST_MM:
                yield f"{at}.tooth_places: u of an angle must be above 0 ({LEAST_MM:g} or more)"
        for name, one in feature.form.items():
            if one.u is not None and one.u <= 0:
                yield f"{at}.form.{name}.u: must be above 0"
    yield from _relation_faults(part)
    if part.boundary not in ("metal", "outer"):
        yield f"boundary: '{part.boundary}' is none of metal, outer"
    for number, piece in enumerate(part.pieces):
        at = f"pieces.{number}"
        if piece.verdict not in _VERDICTS:
            yield f"{at}.verdict: '{piece.verdict}' is none of {', '.join(_VERDICTS)}"
        if piece.probability_separate is not None and not 0 <= piece.probability_separate <= 1:
            yield f"{at}.probability_separate: must lie between 0 and 1"
        yield from _depth_faults(at, piece)
        for name in ("depth_from_mm", "depth_to_mm"):
            if getattr(piece, name) is None and name not in piece.unknown:
                yield f"{at}.{name}: null without a reason in 'unknown'"
        if piece.probability_separate is None and "probability_separate" not in piece.unknown:
            yield f"{at}.probability_separate: null without a reason in 'unknown'"
        for ident in (*piece.features, *(i for e in piece.evidence for i in e.features)):
            if ident not in known:
                yield f"{at}.features: '{ident}' is not a feature of this record"


def _outline_faults(at: str, feature: Feature, part: Part) -> Iterator[str]:
    _, dy, dx = part.stack.voxel_mm
    most = _ACROSS * math.hypot(part.stack.rows * dy, part.stack.columns * dx)
    worn = () if feature.worn is None else feature.worn.stretches
    for line in (feature.outline_mm or (), *(stretch.edge_mm for stretch in worn)):
        if any(max(along) - min(along) > most for along in zip(*line, strict=True)):
            yield f"{at}: an outline of {feature.id} is larger than the slices"


def _relation_faults(part: Part) -> Iterator[str]:
    known = {feature.id for feature in part.features}
    for number, relation in enumerate(part.relations):
        at = f"relations.{number}"
        if relation.kind not in RELATION_KINDS:
            yield f"{at}.kind: '{relation.kind}' is not a kind of relation"
        if relation.value is not None and relation.value.u is not None and relation.value.u <= 0:
            yield f"{at}.value.u: must be above 0"
        strange = [one for one in relation.features if one not in known]
        yield from (f"{at}.features: '{one}' is not a feature of this record" for one in strange)


def need_sound(part: Part) -> None:
    """Refuse a record that breaks its own rules by what a person decided or stated: it could not be written.

    Raises
    ------
    InputError
        Naming the first rule it breaks.
    """
    fault = next(unusable_numbers(dataclasses.asdict(part)), "") or next(_faults(part), "")
    if fault:
        raise InputError(f"with it the record would break its own rules ({fault}); check it against the table of sizes")


def part_to_json(part: Part) -> str:
    """Return the record as deterministic JSON text, checked against its rules.

    Raises
    ------
    ValueError
        If the record breaks a rule of its own contract (a fault of the program).
    """
    faults = list(_faults(part))
    if faults:
        raise ValueError("the part record breaks its own rules: " + "; ".join(faults))
    record = dataclasses.asdict(part)
    record["features"] = [_feature_dict(feature) for feature in part.features]
    if part.stack.taken is None:
        del record["stack"]["taken"]
    for piece in record["pieces"]:
        if not piece["unknown"]:
            del piece["unknown"]
    for name in ("hypotheses", "joints", "relations", "calibration", "image", "decided", "unknown"):
        if not record[name]:
            del record[name]
    tidy = _tidy({key: record[key] for key in _ORDER if key in record})
    text = json.dumps(tidy, allow_nan=False, indent=1, ensure_ascii=False)
    _adapter().validate_json(text, strict=True)
    return text + "\n"


def record_schema() -> str:
    """Return the JSON Schema of part.json, as it ships in `part_schema.json`, for programs that read the record."""
    schema = _adapter().json_schema()
    for one in (schema, *schema["$defs"].values()):
        if "description" in one:  # fields and examples are for people who read the docstring
            one["description"] = one["description"].partition("\n\nParameters\n")[0]
    return json.dumps(schema, indent=1, sort_keys=True) + "\n"


def write_part(part: Part, path: str | Path) -> None:
    """Write a part record as JSON, whole or not at all; the same record gives the same bytes.

    Parameters
    ----------
    part : Part
        The record.
    path : str or Path
        The file, `part.json` by custom.

    Raises
    ------
    ValueError
        If the record breaks a rule of its own contract.
    InputFileError
        If the file cannot be written.

    Examples
    --------
    >>> from dataclasses import replace
    >>> from ctrecon import read_part, write_part
    >>> part = read_part("drum_hub_out/part.json")
    >>> write_part(replace(part, name="hub of the fare counter"), "renamed.json")
    >>> read_part("renamed.json").name
    'hub of the fare counter'
    """
    need_part(part, "write_part")
    write_whole(path, part_to_json(part).encode())


def read_part(path: str | Path) -> Part:
    """Read a part record and check it.

    Parameters
    ----------
    path : str or Path
        The `part.json` that measuring wrote.

    Returns
    -------
    Part
        The record.

    Raises
    ------
    InputFileError
        If the file is missing, is not JSON or breaks the contract; all faults are named.

    Examples
    --------
    >>> from ctrecon import read_part
    >>> part = read_part("drum_hub_out/part.json")
    >>> [piece.name for piece in part.pieces]
    ['hub', 'spacer']
    """
    path = Path(path)
    try:
        text = path.read_bytes()
    except OSError as error:
        reason = f"cannot be read ({error.strerror}); give the part.json that measure wrote"
        raise InputFileError(f"{path}: {reason}") from None
    try:
        part = _adapter().validate_json(text, strict=True)
    except ValidationError as error:
        faults = [f"{'.'.join(map(str, e['loc'])) or 'file'}: {e['msg']}" for e in error.errors()]
    else:
        faults = list(unusable_numbers(from_json(text))) or list(_faults(part))
        if not faults:
            return part
    shown = "; ".join(faults[:5]) + (f" and {len(faults) - 5} more" if len(faults) > 5 else "")
    raise InputFileError(f"{path}: is not a part record ({shown}); measure the stack again to get one")


def _cell(value: float | None) -> str:
    return "" if value is None or not math.isfinite(value) else f"{value:.6g}"


def write_features_csv(part: Part, path: str | Path) -> None:
    """Write one row a quantity: feature, kind, quantity, value, u (k = 1), U (k = 2), basis, flags, why unknown.

    Parameters
    ----------
    part : Part
        The record.
    path : str or Path
        The file, `features.csv` by custom.

    Raises
    ------
    InputFileError
        If the file cannot be written.

    Examples
    --------
    >>> from pathlib import Path
    >>> from ctrecon import read_part, write_features_csv
    >>> write_features_csv(read_part("drum_hub_out/part.json"), "features.csv")
    >>> print(Path("features.csv").read_text().splitlines()[0])
    feature,kind,quantity,value,u_k1,U_k2_without_scale,basis,flags,why_unknown
    """
    need_part(part, "write_features_csv")
    heading = "U_k2" if None not in part.stack.scale_u_rel else "U_k2_without_scale"
    head = ("feature", "kind", "quantity", "value", "u_k1", heading, "basis", "flags", "why_unknown")
    write_table(path, head, _quantity_rows(part))


def _quantity_rows(part: Part) -> Iterator[tuple[str, ...]]:
    for feature in part.features:
        lead, tail = (feature.id, feature.kind), (feature.basis, " ".join(feature.flags))
        for name, value in _feature_dict(feature).items():
            raw = getattr(feature, name)
            several = raw if name in ("flats_pair_mm", "teeth_range") and raw else (raw,)
            for number, one in enumerate(several):
                label = name if len(several) == 1 else f"{name}_{number + 1}"
                if isinstance(one, Measured):
                    spread = _cell(expanded_of(part, feature, label, one))
                    yield (*lead, label, _cell(one.value), _cell(one.u), spread, *tail, "")
                elif isinstance(one, (int, float)) and not isinstance(one, bool):
                    yield (*lead, label, _cell(float(one)), "", "", *tail, "")
                elif value is None and name in feature.unknown:
                    yield (*lead, label, "", "", "", *tail, feature.unknown[name])
        for name, one in sorted(feature.form.items()):
            if getattr(feature, name, None) is None:  # roundness_mm stands above already
                spread = _cell(expanded(one, scale_u_of(part, name)))
                yield (*lead, name, _cell(one.value), _cell(one.u), spread, *tail, "")
