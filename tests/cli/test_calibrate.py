"""Known sizes on the command line: from a wrong voxel size to outputs at true scale, and slips that are refused."""

import re
from pathlib import Path

import numpy as np
import pytest
import tifffile
from scipy.special import ndtr

from ctrecon.cli.main import main
from ctrecon.record.part import Part
from ctrecon.record.store import read_part, write_part

Capture = pytest.CaptureFixture[str]


@pytest.fixture(autouse=True)
def _work_in_an_empty_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Paths are given relative, as a person would."""
    monkeypatch.chdir(tmp_path)



def pin() -> np.ndarray:
    """Slices of a bored pin, 14 x 44 x 46 voxels: outside 34.4 and bore 14 voxels across."""
    z, y, x = np.meshgrid(*(np.arange(float(n)) for n in (14, 44, 46)), indexing="ij")
    off = np.hypot(x - 22.4, y - 21.1)
    metal = ndtr((17.2 - off) / 0.85) * ndtr((off - 7.0) / 0.85) * (ndtr((z - 3.3) / 0.85) - ndtr((z - 10.6) / 0.85))
    return np.asarray((metal + 0.03 * np.random.default_rng(9).standard_normal(metal.shape)) * 2000 + 300)


def slices_of(folder: Path, volume: np.ndarray) -> Path:
    folder.mkdir()
    for number, plane in enumerate(volume):
        tifffile.imwrite(folder / f"s{number:03d}.tif", np.clip(plane, 0, 65535).astype(np.uint16), metadata=None)
    return folder


def test_measure_with_known_sizes(tmp_path: Path, capsys: Capture) -> None:
    """A wrong voxel size is put right by what the caliper says; table, csv, sheet and report print U with scale."""
    slices_of(tmp_path / "pin", pin())
    assert main(["measure", "pin", "--out", "out", "--voxel-mm", "0.08", "--known", "F2=3.440±0.002"]) == 0
    out, err = capsys.readouterr()
    assert "k = 2)" in out and "without scale" not in out
    assert "True scale from known sizes" in out
    assert re.search(r"By the known sizes a voxel is 0\.(1|100\d|09\d\d+) mm", err)
    part = read_part(tmp_path / "out" / "part.json")
    assert part.stack.voxel_mm == pytest.approx((0.1,) * 3, rel=0.005)
    report = (tmp_path / "out" / "report.html").read_text()
    assert "How the scale was found" in report
    assert "U without scale" not in report
    assert "U_k2," in (tmp_path / "out" / "features.csv").read_text()
    import ezdxf

    texts = " ".join(one.dxf.text for one in ezdxf.readfile(tmp_path / "out" / "sheet.dxf").modelspace().query("TEXT"))
    assert "True scale from known sizes" in texts
    assert "U without scale" not in texts


def test_measure_refuses_what_it_cannot_use(tmp_path: Path, capsys: Capture) -> None:
    """A slip in --known leaves with code 2, one sentence, and nothing written."""
    slices_of(tmp_path / "pin", pin())
    for text, says in (("F1=4,5", "comma"), ("F77=4.5±0.1", "it has F1")):
        assert main(["measure", "pin", "--out", "out", "--voxel-mm", "0.1", "--known", text]) == 2
        out, err = capsys.readouterr()
        assert out == "" and says in err and err.count("\n") == 1
        assert not (tmp_path / "out").exists()


def test_calibrate_command(little_part: Part, tmp_path: Path, capsys: Capture) -> None:
    """A finished record gets its scale without the slices; what is there is kept, slips leave with code 2."""
    write_part(little_part, tmp_path / "part.json")
    assert main(["calibrate", "part.json", "--known", "F1=6.265+-0.02", "--known", "F2=9.19", "--out", "true.json"]) == 0
    out, err = capsys.readouterr()
    assert "every voxel edge times 1.01" in out
    assert "No uncertainty was given with F2" in err
    assert read_part(tmp_path / "true.json").stack.scale_basis == "calibrated"
    for argv, says in (
        (["part.json", "--known", "F1=12", "--out", "true.json"], "--force"),
        (["part.json", "--known", "F9=12", "--out", "new.json"], "it has F1"),
        (["true.json", "--known", "F1=12", "--out", "new.json"], "calibrated before"),
        (["gone.json", "--known", "F1=12", "--out", "new.json"], "gone.json"),
        (["part.json", "--known", "F1=12", "--out", "no/new.json"], "no such folder"),
    ):
        assert main(["calibrate", *argv]) == 2
        out, err = capsys.readouterr()
        assert out == "" and says in err and err.count("\n") == 1
    assert not (tmp_path / "new.json").exists()
    assert main(["calibrate", "part.json", "--known", "F1=12", "--out", "true.json", "--force"]) == 0
    with pytest.raises(SystemExit) as left:
        main(["calibrate", "part.json", "--out", "new.json"])
    assert left.value.code == 2


def test_help_says_how_ids_become_known(capsys: Capture) -> None:
    """Ids are known after a first measurement only, and --help says so."""
    with pytest.raises(SystemExit):
        main(["measure", "--help"])
    words = " ".join(capsys.readouterr().out.split())
    assert "Measure once, read the ids from the table" in words
    assert "k = 2" in words
