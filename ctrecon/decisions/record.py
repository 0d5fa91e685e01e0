"""The decisions of a person as frozen records, and the small file they are kept in."""

import dataclasses
import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

from pydantic import TypeAdapter, ValidationError

from ctrecon.core.errors import InputError, InputFileError
from ctrecon.record.kinds import KINDS
from ctrecon.record.store import write_atomically

__all__ = [
    "ACTIONS", "ADDED_KINDS", "FILE_NAME", "Decision", "FeatureName", "LengthBetween", "decisions_from_json",
    "decisions_to_json", "fingerprint", "read_decisions", "write_decisions",
]  # fmt: skip

FILE_NAME = "decisions.json"
"""What the file beside part.json is called."""

ACTIONS = ("accept", "reject", "rename", "change_kind", "add", "known_length")
"""What can be decided."""

ADDED_KINDS = ("round_hole", "round_outside", "square_hole", "square_outside")
"""Kinds that can be added by points."""

_SCHEMA = "ctrecon-decisions-1"
_STRICT: dict[str, Any] = {"allow_inf_nan": False, "extra": "forbid"}  # people write these files: a typo is an error


@dataclass(frozen=True, kw_only=True)
class FeatureName:
    """A feature named by what it is, where it is and how large it is; mm of the stack frame.

    Sizes and places are those of a scan with voxels of `voxel_mm` (dz, dy, dx); where a later scan has
    others, they are scaled before they are compared. An id would not do: it changes with every measurement.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = _STRICT
    kind: str
    x_mm: float | None
    y_mm: float | None
    depth_from_mm: float | None
    depth_to_mm: float | None
    size_mm: float | None
    voxel_mm: tuple[float, float, float]


@dataclass(frozen=True, kw_only=True)
class LengthBetween:
    """Two points (column, row; voxels) of one slice, between which a length is known."""

    __pydantic_config__: ClassVar[dict[str, Any]] = _STRICT
    slice: int
    one_px: tuple[float, float]
    other_px: tuple[float, float]


@dataclass(frozen=True, kw_only=True)
class Decision:
    """One thing a person decided; fields that do not belong to its action are None.

    Parameters
    ----------
    do : str
        One of `ACTIONS`.
    feature : FeatureName or None
        Which feature it is about (all but `add`, and a length between two points).
    other : FeatureName or None
        Second feature of a known length between two axes.
    name : str or None
        The new name (`rename`), or that of an added feature.
    kind : str or None
        The new kind (`change_kind`), or that of an added feature.
    points_px : tuple of (column, row) or None
        Points on the outline of an added feature, in voxels of its slices.
    slices : (float, float) or None
        First and last slice of an added feature.
    on_slice : int or None
        The slice on which its points were set.
    between : LengthBetween or None
        The two points of a known length that no feature carries.
    size : str or None
        Which size of the feature is known (`diameter`, `flats`, `length` ...); None is its main size.
    value_mm, u_mm : float or None
        The known length and ONE standard uncertainty (k = 1), mm; without the latter the usual one is taken.

    Raises
    ------
    InputError
        If something the action needs is missing or cannot be.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = _STRICT
    do: str
    feature: FeatureName | None = None
    other: FeatureName | None = None
    name: str | None = None
    kind: str | None = None
    points_px: tuple[tuple[float, float], ...] | None = None
    slices: tuple[float, float] | None = None
    on_slice: int | None = None
    between: LengthBetween | None = None
    size: str | None = None
    value_mm: float | None = None
    u_mm: float | None = None

    def __post_init__(self) -> None:
        fault = self._fault()
        if fault:
            raise InputError(f"decision '{self.do}': {fault}")
        # whole numbers become floats, so that a decision and its copy read from the file are the same
        if self.points_px is not None:
            object.__setattr__(self, "points_px", tuple((float(x), float(y)) for x, y in self.points_px))
        if self.slices is not None:
            object.__setattr__(self, "slices", (float(self.slices[0]), float(self.slices[1])))
        for name in ("value_mm", "u_mm"):
            if getattr(self, name) is not None:
                object.__setattr__(self, name, float(getattr(self, name)))

    def _fault(self) -> str:
        if self.do not in ACTIONS:
            return f"nothing of that name can be decided; choose one of {', '.join(ACTIONS)}"
        if self.do in ("accept", "reject", "rename", "change_kind") and self.feature is None:
            return "it names no feature; choose one first"
        if self.do == "rename" and not (self.name or "").strip():
            return "the name is empty; type one"
        if self.do == "change_kind" and self.kind not in KINDS:
            return f"'{self.kind}' is not a kind of feature; choose one of {', '.join(KINDS)}"
        if self.do == "add":
            if self.kind not in ADDED_KINDS:
                return f"only {', '.join(ADDED_KINDS)} can be added by points, not '{self.kind}'"
            if self.points_px is None or self.slices is None or self.on_slice is None:
                return "points and slices are needed; set points on the outline and choose the depth range"
            if self.slices[0] > self.slices[1]:
                return "the first slice lies beyond the last; turn them round"
        if self.do == "known_length":
            if (self.feature is None) == (self.between is None):
                return "a feature or two points are needed, and not both; choose one"
            if self.value_mm is None or self.value_mm <= 0:
                return f"the length must be above 0 mm, not {self.value_mm}; type it, such as 12.00"
            if self.u_mm is not None and self.u_mm <= 0:
                return f"the uncertainty must be above 0 mm, not {self.u_mm:g}; leave it out if it isn't known"
        return ""


@dataclass(frozen=True, kw_only=True)
class _File:
    __pydantic_config__: ClassVar[dict[str, Any]] = _STRICT
    schema: str
    about: str = ""
    decisions: tuple[Decision, ...] = ()


def _tidy(value: Any) -> Any:
    if isinstance(value, float):
        return float(f"{value:.7g}")
    if isinstance(value, Mapping):
        return {key: _tidy(item) for key, item in value.items() if item is not None or key.endswith("_mm")}
    return [_tidy(item) for item in value] if isinstance(value, (list, tuple)) else value


def _plain(decision: Decision) -> dict[str, Any]:
    record: dict[str, Any] = _tidy(dataclasses.asdict(decision))
    return {key: value for key, value in record.items() if value is not None}


def fingerprint(decision: Decision) -> str:
    """Return a short word that is the same for the same decision, by which a record says that it was applied."""
    text = json.dumps(_plain(decision), sort_keys=True, ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()[:12]


def decisions_to_json(decisions: Sequence[Decision]) -> str:
    """Return the file's text: the same decisions, the same bytes."""
    record = {
        "schema": _SCHEMA,
        "about": "What a person decided about the record beside this file. Lengths are mm, points are voxels "
        "(column, row). ctrecon measure --decisions replays it.",
        "decisions": [_plain(one) for one in decisions],
    }
    return json.dumps(record, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def decisions_from_json(text: str | bytes, *, called: str = FILE_NAME) -> tuple[Decision, ...]:
    """Read decisions from text.

    Raises
    ------
    InputFileError
        If it is no such file; all faults are named.
    """
    try:
        found = TypeAdapter(_File).validate_json(text)
    except ValidationError as error:
        faults = [f"{'.'.join(map(str, one['loc'])) or 'file'}: {one['msg']}" for one in error.errors()]
    else:
        if found.schema == _SCHEMA:
            return found.decisions
        faults = [f"schema is '{found.schema}', expected '{_SCHEMA}'"]
    shown = "; ".join(faults[:5]) + (f" and {len(faults) - 5} more" if len(faults) > 5 else "")
    raise InputFileError(f"{called}: is no file of decisions ({shown}); mend it or take it away")


def read_decisions(path: str | Path) -> tuple[Decision, ...]:
    """Read a file of decisions.

    Raises
    ------
    InputFileError
        If it is missing or no such file.
    """
    try:
        text = Path(path).read_bytes()
    except OSError as error:
        raise InputFileError(f"{path}: cannot be read ({error.strerror}); give the file of decisions") from None
    return decisions_from_json(text, called=str(path))


def write_decisions(decisions: Sequence[Decision], path: str | Path) -> None:
    """Write a file of decisions, whole or not at all.

    Raises
    ------
    InputFileError
        If it cannot be written there.
    """
    try:
        write_atomically(Path(path), decisions_to_json(decisions).encode())
    except OSError as error:
        raise InputFileError(f"{path}: cannot be written ({error.strerror}); choose another folder") from None
