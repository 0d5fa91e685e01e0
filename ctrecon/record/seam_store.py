"""Pictures of seams beside the record, so that they can be looked at again without measuring again."""

import io
import json
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from zipfile import BadZipFile

import numpy as np

from ctrecon.core.errors import InputFileError
from ctrecon.core.files import write_whole
from ctrecon.core.numbers import unusable_numbers
from ctrecon.record.pictures import FaceSeamPicture, SeamPicture

__all__ = ["SEAMS_FILE", "read_seams", "write_seams"]

SEAMS_FILE = "seams.npz"
"""What the file beside part.json is called."""

_KINDS = {"side": SeamPicture, "flat": FaceSeamPicture}


def write_seams(pictures: Sequence[SeamPicture | FaceSeamPicture], path: str | Path) -> None:
    """Write pictures of seams: arrays as they are, the rest as text; the same pictures give the same bytes."""
    arrays: dict[str, np.ndarray] = {}
    plain = []
    for number, one in enumerate(pictures):
        fields = asdict(one)
        arrays |= {f"{number}.{name}": value for name, value in fields.items() if isinstance(value, np.ndarray)}
        kind = next(word for word, sort in _KINDS.items() if isinstance(one, sort))
        rest = {name: value for name, value in fields.items() if not isinstance(value, np.ndarray)}
        plain.append({"kind": kind, **rest})
    out = io.BytesIO()
    np.savez_compressed(out, plain=np.array(json.dumps(plain)), **arrays)  # type: ignore[arg-type]
    write_whole(path, out.getvalue())


def read_seams(path: str | Path) -> tuple[SeamPicture | FaceSeamPicture, ...]:
    """Read what `write_seams` wrote.

    Raises
    ------
    InputFileError
        If it is missing or no such file.
    """
    try:
        with np.load(path, allow_pickle=False) as file:
            plain = json.loads(str(file["plain"]))
            for fault in unusable_numbers(plain):
                raise ValueError(fault)
            found = []
            for number, rest in enumerate(plain):
                kind = _KINDS[rest.pop("kind")]
                arrays = {
                    name.partition(".")[2]: file[name] for name in file.files if name.startswith(f"{number}.")
                }
                fields = {name: tuple(value) if isinstance(value, list) else value for name, value in rest.items()}
                found.append(kind(**fields, **arrays))
    except (OSError, ValueError, KeyError, TypeError, AttributeError, EOFError, BadZipFile) as error:
        why = getattr(error, "strerror", None) or "not a file of seams"
        raise InputFileError(f"{path}: cannot be read ({why}); measure the stack again") from None
    return tuple(found)
