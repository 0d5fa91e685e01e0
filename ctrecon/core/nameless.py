"""Files without a name, on the disk for large temporary files: gone with the process whatever happens."""

import os
import shutil
import tempfile
from pathlib import Path
from typing import BinaryIO

__all__ = ["nameless_file"]

_MOST = 6_000_000_000  # bytes: planes of 1000 x 1024² voxels take two thousand million
_LEFT_FREE = 4  # times what the file may come to take must be free on its disk


def nameless_file(size: int) -> BinaryIO | None:
    """Return a file without a name that may grow to a size; None where there is no disk with room to spare.

    Parameters
    ----------
    size : int
        Bytes.
    """
    large = Path("/var/tmp")  # noqa: S108 - of two such places this is the disk, the other may be memory
    place = str(large) if os.access(large, os.W_OK) else tempfile.gettempdir()
    try:
        if size > _MOST or shutil.disk_usage(place).free < _LEFT_FREE * size:
            return None
        return tempfile.TemporaryFile(dir=place, buffering=0)
    except OSError:
        return None
