"""The health sheet as `ctrecon info` prints it."""

from pathlib import Path

import numpy as np
import pytest
import tifffile
from scipy import ndimage

from ctrecon.cli.main import main

Capture = pytest.CaptureFixture[str]


def test_info_prints_the_health_sheet(tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each line of the sheet has its label, one word of judgement and what was found, after the description."""
    monkeypatch.chdir(tmp_path)
    y, x = np.mgrid[:80, :90]
    r = np.hypot(x - 44.2, y - 39.7)
    disc = ndimage.gaussian_filter(((r < 30) & (r > 9)).astype(float), 0.8)
    rng = np.random.default_rng(3)
    for k in range(8):
        grey = 9000 + 30000 * (disc + rng.standard_normal(disc.shape) / 20)
        tifffile.imwrite(f"s{k}.tif", np.rint(grey).clip(0, 65535).astype(np.uint16))
    assert main(["info", "."]) == 0
    out, err = capsys.readouterr()
    lines = {line.split()[0]: line.split(None, 2) for line in out.splitlines()}
    labels = [line.split()[0] for line in out.splitlines()]
    assert labels.index("snr") > labels.index("grey")
    for label in ("snr", "noise", "rings", "cupping", "drift", "series", "clipping", "blur", "bore", "seam"):
        assert lines[label][1] == "good", lines[label]
    assert lines["series"][2] == "none missing, none shifted"
    assert err == ""


def test_info_says_why_there_is_no_sheet(tmp_path: Path, capsys: Capture) -> None:
    """A picture of noise has no health to judge; info says so and is done."""
    noise = (1000 + 20 * np.random.default_rng(0).standard_normal((64, 64))).astype(np.uint16)
    tifffile.imwrite(tmp_path / "noise.tif", noise)
    assert main(["info", str(tmp_path / "noise.tif")]) == 0
    assert "no metal stands out" in capsys.readouterr().out
