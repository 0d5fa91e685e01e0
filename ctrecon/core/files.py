"""Files appear whole or not at all."""

import os
import tempfile
from pathlib import Path

from ctrecon.core.errors import InputFileError

__all__ = ["write_whole"]


def write_whole(path: str | Path, data: bytes) -> None:
    """Write to a temporary file beside the target and rename it: what was there stays until the new one is complete.

    Parameters
    ----------
    path : path
        The file; its folder must be there.
    data : bytes
        All of its contents.

    Raises
    ------
    InputFileError
        If it cannot be written there; nothing is left behind.

    Examples
    --------
    >>> from pathlib import Path
    >>> write_whole("note.txt", b"done")
    >>> Path("note.txt").read_text()
    'done'
    """
    path = Path(path)
    beside = None
    try:
        handle, beside = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
        with os.fdopen(handle, "wb") as out:
            out.write(data)
        os.chmod(beside, 0o644)  # a temporary file is for its owner alone; this one is for everybody
        os.replace(beside, path)
    except BaseException as error:
        if beside is not None:
            Path(beside).unlink(missing_ok=True)
        if not isinstance(error, OSError):
            raise
        reason = error.strerror or error
        raise InputFileError(f"{path} cannot be written ({reason}): choose a folder you may write to") from error
