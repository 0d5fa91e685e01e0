"""Phantoms to disk: a folder of TIFF slices and its truth."""

import json
import os
import shutil
import tempfile
from pathlib import Path

import tifffile

from ctrecon.core.errors import OutputExistsError
from ctrecon.core.files import write_whole
from ctrecon.phantoms.ferry_counter import SAMPLES, make
from ctrecon.phantoms.phantom import Phantom

__all__ = ["make_samples", "write"]

_README = """# Sample slices

Two parts of an invented fare counter from a river ferry, as slices:

- `drum_hub/`: a stepped drum with a through bore, and a spacer pressed on its square boss. An arc is cut
  from the spacer's rim.
- `quay_plate/`: a plate with four square pillar holes, two holes for taper pins (1:48), a bore and a
  broken corner.

**All of it is invented.** No such counter was ever built, nothing here was scanned, and nobody's part,
drawing or data is behind it. The slices are computed from known shapes, with blur, noise, faint rings and
cupping added so that they look like the real thing. `truth.json` beside each stack holds the true sizes.

Make them again with `python -m ctrecon.phantoms FOLDER`.
"""


def write(phantom: Phantom, folder: str | Path, *, force: bool = False) -> Path:
    """Write a phantom as `s0001.tif` ... and `truth.json`.

    Parameters
    ----------
    phantom : Phantom
        What to write.
    folder : path
        New folder; it appears whole or not at all.
    force : bool
        Replace the folder when it is there and holds only a phantom.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    OutputExistsError
        When the folder is there and `force` is not given, or holds other things.
    """
    target = Path(folder)
    if target.exists() and not force:
        raise OutputExistsError(f"{target} already exists; name a new folder or allow it to be replaced.")
    if target.exists() and not _is_ours(target):
        raise OutputExistsError(f"{target} holds more than slices and truth.json, so it stays; name another folder.")
    target.parent.mkdir(parents=True, exist_ok=True)
    building = Path(tempfile.mkdtemp(prefix=f".{target.name}-", dir=target.parent))
    try:
        building.chmod(0o755)
        _write_slices(phantom, building)
        text = json.dumps(phantom.truth, indent=1, sort_keys=True, ensure_ascii=False, allow_nan=False)
        (building / "truth.json").write_text(text + "\n", encoding="utf-8", newline="\n")
        if target.exists():
            shutil.rmtree(target)
        os.replace(building, target)
    except BaseException:
        shutil.rmtree(building, ignore_errors=True)
        raise
    return target


def _is_ours(target: Path) -> bool:
    """Return whether a folder holds nothing but what `write` puts there."""
    if target.is_symlink() or not target.is_dir():
        return False
    return all(p.is_file() and (p.name == "truth.json" or p.suffix == ".tif") for p in target.iterdir())


def _write_slices(phantom: Phantom, folder: Path) -> None:
    _, dy, dx = phantom.voxel_mm
    description = json.dumps({"invented": True, "voxel_mm": list(phantom.voxel_mm)})
    for number, plane in zip(phantom.slice_numbers, phantom.volume, strict=True):
        tifffile.imwrite(
            folder / f"s{number:04d}.tif", plane, photometric="minisblack", compression="zlib",
            compressionargs={"level": 9}, rowsperstrip=plane.shape[0], description=description, metadata=None,
            software=False, resolution=(10.0 / dx, 10.0 / dy), resolutionunit="CENTIMETER",
        )


def make_samples(folder: str | Path) -> tuple[Path, ...]:
    """Write the sample slices and the README that says they are invented.

    Parameters
    ----------
    folder : path
        Where the sample folders go; samples that are there are made anew.

    Returns
    -------
    tuple of Path
        One folder a part.
    """
    root = Path(folder)
    root.mkdir(parents=True, exist_ok=True)
    made = tuple(write(make(name), root / name, force=True) for name in SAMPLES)
    write_whole(root / "README.md", _README.encode())
    return made
