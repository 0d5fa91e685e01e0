"""The small file that decisions are kept in."""

import dataclasses
import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

from pydantic import TypeAdapter, ValidationError

from ctrecon.core.arguments import need
from ctrecon.core.errors import InputError, InputFileError
from ctrecon.core.files import write_whole
from ctrecon.decisions.actions import ACTIONS
from ctrecon.decisions.base import STRICT, Decision

__all__ = [
    "FILE_NAME", "decisions_from_json", "decisions_to_json", "fingerprint", "read_decisions", "write_decisions",
]  # fmt: skip

FILE_NAME = "decisions.json"
"""What the file beside part.json is called."""

_SCHEMA = "ctrecon-decisions-1"


@dataclass(frozen=True, kw_only=True)
class _File:
    __pydantic_config__: ClassVar[dict[str, Any]] = STRICT
    schema: str
    about: str = ""
    decisions: tuple[dict[str, Any], ...] = ()


def _tidy(value: Any) -> Any:
    if isinstance(value, float):
        return float(f"{value:.7g}")
    if isinstance(value, Mapping):
        return {key: _tidy(item) for key, item in value.items() if item is not None or key.endswith("_mm")}
    return [_tidy(item) for item in value] if isinstance(value, (list, tuple)) else value


def _plain(decision: Decision) -> dict[str, Any]:
    record: dict[str, Any] = {"do": decision.do, **_tidy(dataclasses.asdict(decision))}  # type: ignore[call-overload]
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


def _faults(error: ValidationError, *at: str) -> list[str]:
    return [
        f"{'.'.join([*at, *map(str, one['loc'])]) or 'file'}: {one['msg'].removeprefix('Value error, ')}"
        for one in error.errors()
    ]


def _decision(record: dict[str, Any]) -> Decision:
    do = record.get("do")
    if not isinstance(do, str) or do not in ACTIONS:
        raise InputError(f"nothing called {do!r} can be decided; choose one of {', '.join(ACTIONS)}")
    known = {key: value for key, value in record.items() if key != "do" and value is not None}
    return TypeAdapter(ACTIONS[do]).validate_python(known)


def decisions_from_json(text: str | bytes, *, called: str = FILE_NAME) -> tuple[Decision, ...]:
    """Read decisions from text.

    Raises
    ------
    InputFileError
        If it is not such a file; all faults are named.
    """
    try:
        found = TypeAdapter(_File).validate_json(text)
    except ValidationError as error:
        faults = _faults(error)
    else:
        if found.schema == _SCHEMA:
            decisions, faults = [], []
            for number, one in enumerate(found.decisions):
                try:
                    decisions.append(_decision(one))
                except ValidationError as error:
                    faults.extend(_faults(error, "decisions", str(number)))
                except InputError as error:
                    faults.append(f"decisions.{number}: {error}")
            if not faults:
                return tuple(decisions)
        else:
            faults = [f"schema is '{found.schema}', expected '{_SCHEMA}'"]
    shown = "; ".join(faults[:5]) + (f" and {len(faults) - 5} more" if len(faults) > 5 else "")
    raise InputFileError(f"{called}: is not a file of decisions ({shown}); mend it or take it away")


def read_decisions(path: str | Path) -> tuple[Decision, ...]:
    """Read a file of decisions.

    Parameters
    ----------
    path : path
        The file, decisions.json by custom.

    Returns
    -------
    tuple of Decision
        In the order they were made.

    Raises
    ------
    InputFileError
        If it is missing or no such file; all faults are named.

    Examples
    --------
    >>> from ctrecon import read_decisions, read_part, write_decisions
    >>> from ctrecon.decisions import Accept, named
    >>> part = read_part("drum_hub_out/part.json")
    >>> write_decisions([Accept(feature=named(part, part["F1"]))], "decisions.json")
    >>> [one.says() for one in read_decisions("decisions.json")]
    ['accept round outside of 6.40 mm at x 4.40, y 4.00']
    """
    try:
        text = Path(path).read_bytes()
    except OSError as error:
        raise InputFileError(f"{path}: cannot be read ({error.strerror}); give the file of decisions") from None
    return decisions_from_json(text, called=str(path))


def write_decisions(decisions: Sequence[Decision], path: str | Path) -> None:
    """Write a file of decisions, whole or not at all; the same decisions give the same bytes.

    Parameters
    ----------
    decisions : sequence of Decision
        In the order they were made.
    path : path
        The file, decisions.json by custom.

    Raises
    ------
    InputFileError
        If it cannot be written there.

    Examples
    --------
    >>> from ctrecon import read_decisions, read_part, write_decisions
    >>> from ctrecon.decisions import Accept, named
    >>> part = read_part("drum_hub_out/part.json")
    >>> write_decisions([Accept(feature=named(part, part["F1"]))], "decisions.json")
    >>> [one.says() for one in read_decisions("decisions.json")]
    ['accept round outside of 6.40 mm at x 4.40, y 4.00']
    """
    for one in decisions:
        need(one, Decision, "write_decisions")
    write_whole(path, decisions_to_json(decisions).encode())
