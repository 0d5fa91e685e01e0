"""Phantoms on disk: plain TIFF slices without dates, and samples that can be made again."""

import json
import re
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image
from random_parts import random_plate

from ctrecon.core.errors import OutputExistsError
from ctrecon.phantoms import make, make_samples, write

_SAMPLES = Path(__file__).parents[2] / "sample_slices"


def test_slices_carry_their_scale_and_nothing_of_the_day(tmp_path: Path) -> None:
    """Another reader finds resolution, unit and spacing in every slice; no date, no software, no machine."""
    phantom = make("drum_hub", scale=0.3)
    folder = write(phantom, tmp_path / "hub")
    files = sorted(folder.glob("s*.tif"))
    assert [f.name for f in files] == [f"s{n + 1:04d}.tif" for n in range(len(phantom.volume))]
    for path, plane in zip(files, phantom.volume, strict=True):
        with tifffile.TiffFile(path) as tif:
            tags = tif.pages[0].tags  # type: ignore[union-attr]
            assert not {"DateTime", "Software", "HostComputer", "Artist"} & {t.name for t in tags.values()}
            assert json.loads(tags["ImageDescription"].value)["voxel_mm"] == list(phantom.voxel_mm)
            across = tags["XResolution"].value
            assert 10 * across[1] / across[0] == pytest.approx(phantom.voxel_mm[2], rel=1e-6)
            assert int(tags["ResolutionUnit"].value) == 3
        with Image.open(path) as image:
            assert np.array_equal(np.asarray(image), plane)
    assert json.loads((folder / "truth.json").read_text(encoding="utf-8")) == phantom.truth


def test_lost_slices_leave_gaps_in_the_names(tmp_path: Path) -> None:
    """A slice that is missing is missing from the folder, and the others keep their numbers."""
    phantom = random_plate(np.random.default_rng(0), missing=(2, 5))
    folder = write(phantom, tmp_path / "plate")
    have = {p.name for p in folder.glob("*.tif")}
    assert len(have) == phantom.truth["stack"]["slices"] - 2
    assert not {"s0003.tif", "s0006.tif"} & have
    assert {"s0002.tif", "s0004.tif"} <= have


def test_nothing_of_others_is_overwritten(tmp_path: Path) -> None:
    """A folder that is there stays as it is, even by force when it holds other things."""
    phantom = make("one_slice", scale=0.3)
    folder = write(phantom, tmp_path / "a")
    with pytest.raises(OutputExistsError, match="already exists"):
        write(phantom, folder)
    write(phantom, folder, force=True)
    (folder / "notes.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(OutputExistsError, match="stays"):
        write(phantom, folder, force=True)
    assert (folder / "notes.txt").read_text(encoding="utf-8") == "mine"
    assert [p.name for p in tmp_path.iterdir()] == ["a"], "no half-built folder is left"


def test_samples_can_be_made_again(tmp_path: Path) -> None:
    """The shipped samples come out again: the same truth, every pixel within one count, 8 MB in all at most."""
    made = make_samples(tmp_path / "again")
    assert [p.name for p in made] == ["drum_hub", "quay_plate"]
    assert sum(p.stat().st_size for p in (tmp_path / "again").rglob("*") if p.is_file()) <= 8_000_000
    readme = (_SAMPLES / "README.md").read_text(encoding="utf-8")
    assert readme == (tmp_path / "again" / "README.md").read_text(encoding="utf-8")
    assert re.search("all of it is invented", readme, flags=re.IGNORECASE)
    for folder in made:
        shipped = _SAMPLES / folder.name
        truth = "truth.json"
        assert (shipped / truth).read_bytes() == (folder / truth).read_bytes()
        assert [p.name for p in sorted(shipped.iterdir())] == [p.name for p in sorted(folder.iterdir())]
        for path in sorted(folder.glob("*.tif")):
            new = tifffile.imread(path).astype(int)
            old = tifffile.imread(shipped / path.name).astype(int)
            assert np.abs(new - old).max() <= 1
