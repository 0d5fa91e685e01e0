"""Memory that is left free goes back to the system."""

import platform
from pathlib import Path

import numpy as np
import pytest

from ctrecon.core.memory import give_back


def _resident() -> int:
    return int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1]) * 4096


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="only this C library is asked")
def test_what_lies_free_below_what_is_in_use_is_given_back() -> None:
    """Of 100 MB in small arrays all but the last are left: the process shrinks by most of it."""
    arrays = [np.ones(8_000) for _ in range(1_600)]
    last = arrays[-1]
    arrays.clear()
    before = _resident()
    give_back()
    assert before - _resident() > 50e6
    assert last.sum() == 8_000
