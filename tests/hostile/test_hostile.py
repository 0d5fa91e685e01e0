"""Files that lie, bombs and names nobody would give: a result or one sentence, in seconds, within 1 GiB."""

import io
import os
import resource
import struct
import subprocess
import sys
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image

ROOT = Path(__file__).resolve().parents[2]


def test_mutated_inputs_end_in_a_result_or_a_sentence() -> None:
    """500 of them over every reader and every file that is read; the nightly form runs 10,000."""
    for package in ("h5py", "SimpleITK", "pydicom"):
        pytest.importorskip(package)
    run = subprocess.run(
        [sys.executable, str(Path(__file__).with_name("run.py")), "--inputs", "500", "--seed", "9100"],
        capture_output=True, text=True, check=False, timeout=900,
    )  # fmt: skip
    assert run.returncode == 0, run.stdout + run.stderr
    assert "0 of 500 inputs gave way" in run.stdout


def _zeros(block: int, count: int) -> bytes:
    """Return what inflates to so many blocks of zeros: one of them packed again and again, the ends as zlib writes them."""
    pack = zlib.compressobj(1)
    first, again = (pack.compress(bytes(block)) + pack.flush(zlib.Z_FULL_FLUSH) for _ in range(2))
    total = ((block * count) % 65521) << 16 | 1  # the Adler-32 of zeros
    return first + again * (count - 1) + b"\x03\x00" + struct.pack(">I", total)


def _strip_bomb() -> bytes:
    """Return a TIFF of 64 pixels whose strip of 4 MB inflates to 1 GB."""
    strip = _zeros(1 << 20, 1024)
    tags = [(256, 8), (257, 8), (258, 8), (259, 8), (262, 1), (273, 8), (277, 1), (278, 8), (279, len(strip))]
    directory = struct.pack("<H", len(tags)) + b"".join(struct.pack("<HHII", tag, 4, 1, value) for tag, value in tags)
    return struct.pack("<2sHI", b"II", 42, 8 + len(strip)) + strip + directory + struct.pack("<I", 0)


def _large_slice() -> bytes:
    """Return a PNG of 19,000 x 19,000 pixels, all alike: 1.6 MB."""
    rows = _zeros(19_001 * 100, 190)

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", 19_000, 19_000, 8, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


def _many_pages() -> bytes:
    """Return a TIFF of 100,000 pages of one pixel."""
    out = io.BytesIO()
    with tifffile.TiffWriter(out) as file:
        for _ in range(3):
            file.write(np.zeros((1, 1), dtype=np.uint8), contiguous=False)
    data = bytearray(out.getvalue())
    first = struct.unpack_from("<I", data, 4)[0]
    count = struct.unpack_from("<H", data, first)[0]
    page = bytes(data[first : first + 2 + 12 * count])
    body, at = bytearray(data), len(data) + len(data) % 2
    body += bytes(at - len(data))
    struct.pack_into("<I", body, 4, at)
    size = len(page) + 4 + len(page) % 2
    for k in range(100_000):
        following = 0 if k == 99_999 else at + (k + 1) * size
        body += page + struct.pack("<I", following) + bytes(len(page) % 2)
    return bytes(body)


BOMBS: dict[str, tuple[str, Callable[[], bytes]]] = {
    "a strip that inflates": ("v.tif", _strip_bomb),
    "a slice of 19,000 squared": ("v.png", _large_slice),
    "100,000 pages": ("v.tif", _many_pages),
}


@pytest.mark.parametrize("bomb", BOMBS)
def test_bombs_are_refused_in_seconds_within_1_gib(bomb: str, tmp_path: Path) -> None:
    """The command ends with code 2 and one sentence; its memory and time are held by the system."""
    name, make = BOMBS[bomb]
    (tmp_path / name).write_bytes(make())

    def held() -> None:
        resource.setrlimit(resource.RLIMIT_AS, (3 << 30, 3 << 30))  # addresses; what is used stays far below
        resource.setrlimit(resource.RLIMIT_CPU, (20, 20))

    run = subprocess.run(
        [sys.executable, "-m", "ctrecon", "measure", name, "--out", "out", "--voxel-mm", "0.05"],
        cwd=tmp_path, env=os.environ | {"PYTHONPATH": str(ROOT)}, capture_output=True, text=True, check=False,
        preexec_fn=held,
    )  # fmt: skip
    assert run.returncode == 2, run.stderr
    assert run.stderr.startswith(f"ctrecon: {name}")
    assert len(run.stderr.splitlines()) == 1
    assert not (tmp_path / "out").exists()


def test_a_closed_output_is_no_fault(tmp_path: Path) -> None:
    """Where nobody reads results and messages, the files are written all the same."""
    for k in range(2):
        Image.fromarray(_plate()).save(tmp_path / f"s{k}.png")
    command = f"exec {sys.executable} -m ctrecon measure . --out out --voxel-mm 0.05 >&- 2>&-"
    run = subprocess.run(["sh", "-c", command], cwd=tmp_path, env=os.environ | {"PYTHONPATH": str(ROOT)}, check=False)
    assert run.returncode == 0
    assert (tmp_path / "out" / "sheet.pdf").is_file()


def _plate() -> np.ndarray:
    from scipy.ndimage import gaussian_filter

    y, x = np.mgrid[:40, :40]
    metal = np.clip(14.5 - abs(x - 19.4), 0, 1) * np.clip(10.5 - abs(y - 19.7), 0, 1)
    return (100 + 800 * gaussian_filter(metal, 1.0) + np.random.default_rng(1).normal(0, 5, x.shape)).astype(np.uint16)
