"""Files that other projects are tested with, as they lie in the packages installed here: nothing gives way."""

from pathlib import Path

import pytest
from samples import End, installed_samples, tried

SMALL = 40_000
"""Bytes: a larger picture takes seconds, most of them for its noise and blur; the command beside this goes over all."""

CARRY = ("pydicom", "scikit-image", "h5py", "matplotlib", "scipy")
"""Packages that are known to carry sample files; the command has more."""


@pytest.mark.parametrize("package", CARRY)
def test_the_samples_of_a_package_end_in_a_result_or_a_sentence(package: str) -> None:
    """Every small sample file and every folder of them is read, or refused in one sentence with code 2."""
    paths = [path for path in installed_samples().get(package, []) if path.is_dir() or path.stat().st_size <= SMALL]
    if not paths:
        pytest.skip(f"{package} is not installed or carries no sample files here")
    ends = [(command, path, end.code, fault) for command, path, end, fault in tried(paths, measure=False)]
    assert len(ends) == len(paths)
    assert [end for end in ends if end[3]] == []


def test_a_scan_among_the_samples_is_measured_and_drawn() -> None:
    """A CT slice, a slice of another kind of scanner, and one whose names are in another alphabet go the whole way."""
    names = ("CT_small.dcm", "MR_small_RLE.dcm", "chrRuss.dcm")
    paths = [path for path in installed_samples().get("pydicom", []) if path.name in names]
    if len(paths) < len(names):
        pytest.skip("pydicom is not installed or carries no sample files here")
    ends = list(tried(paths, measure=True))
    assert [command for command, *_ in ends] == ["info", "measure"] * len(names)
    assert [(path.name, fault) for _, path, _, fault in ends if fault] == []


@pytest.mark.parametrize(
    ("code", "stderr", "why"),
    [
        (1, "ctrecon: internal fault", "ended with 1"), (2, "", "not one sentence"), (2, "ctrecon: a\nb\n", "not one"),
        (2, "Traceback (most recent call last)", "not one"), (0, "a\x1b[31m", "badly said"), (3, "x" * 1001, "badly said"),
    ],
)  # fmt: skip
def test_what_gives_way_is_told(code: int, stderr: str, why: str) -> None:
    """A fault of the program, several lines, a traceback, control characters and long lines are none of them a result."""
    assert why in End(code, stderr, 0.1, 1.0).fault(10.0)
    assert End(2, "ctrecon: v.tif is empty; export it again\n", 0.1, 1.0).fault(10.0) == ""
    assert End(0, "", 11.0, 1.0).fault(10.0) == "11 s"
    assert End(0, "", 1.0, 2000.0).fault(10.0) == "2000 MB"


def test_the_folder_of_samples_is_searched_whole(tmp_path: Path) -> None:
    """Files of any ending and the folders that hold them are given; source text is not."""
    from samples import samples_below

    for name in ("a/x.tif", "a/noending", "a/b/y.weird", "c/readme.py"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).touch()
    assert [path.relative_to(tmp_path).as_posix() for path in samples_below(tmp_path)] == [
        "a", "a/b", "a/b/y.weird", "a/noending", "a/x.tif",
    ]  # fmt: skip
