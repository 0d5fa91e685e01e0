"""Order, duplicates and gaps of slice names."""

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ctrecon.core.errors import InputFileError
from ctrecon.slices.naming import sort_series
from ctrecon.slices.readers.reader import is_slice_name


def test_numbers_are_ordered_by_value() -> None:
    """Slice 2 comes before slice 10 without leading zeros."""
    assert sort_series(
        ["s10.tif", "s2.tif", "s1.tif", "s3.tif", *(f"s{n}.tif" for n in range(4, 10))], folder="f"
    ).names == (tuple(f"s{n}.tif" for n in range(1, 11)))


@settings(suppress_health_check=[HealthCheck.too_slow])  # a busy machine is no fault
@given(st.integers(0, 10_000), st.integers(1, 9), st.integers(2, 40), st.randoms())
def test_any_even_numbering_has_no_gap(first: int, step: int, count: int, random: object) -> None:
    """Names that step evenly come back in number order and complete, whatever their order on disk."""
    names = [f"slice_{first + step * at}.png" for at in range(count)]
    mixed = list(names)
    random.shuffle(mixed)  # type: ignore[attr-defined]
    series = sort_series(mixed, folder="f")
    assert series.names == tuple(names)
    assert series.missing == ()


@given(st.sets(st.integers(2, 37), max_size=15))
def test_removed_slices_keep_their_places(removed: set[int]) -> None:
    """Every slice taken out of a dense series leaves an empty place at its own depth."""
    names = [f"s{n}.tif" for n in range(40) if n not in removed]
    series = sort_series(names, folder="f")
    assert series.missing == tuple(sorted(removed))
    assert series.names == tuple("" if n in removed else f"s{n}.tif" for n in range(40))


def test_gap_is_named_by_the_slice_before_it() -> None:
    """A gap says how many slices are lost and after which file."""
    series = sort_series(["a1.tif", "a2.tif", "a5.tif", "a6.tif"], folder="f")
    assert series.gaps == ("2 after a2.tif",)


def test_number_that_does_not_vary_is_no_slice_number() -> None:
    """A scan number that is the same in every name does not order the slices."""
    names = ["run7_2_of_90.tif", "run7_1_of_90.tif", "run7_10_of_90.tif"]
    with pytest.raises(InputFileError, match="lacks 7 slices"):
        sort_series(names, folder="f")
    assert sort_series(names[:2], folder="f").names == (names[1], names[0])


def test_depth_beside_an_index_is_understood() -> None:
    """A depth that runs along with the slice number does not make a second series."""
    names = [f"z{n * 50 // 1000}.{n * 50 % 1000:03d}_n{n:04d}.tif" for n in range(25)]
    assert sort_series(reversed(names), folder="f").names == tuple(names)  # type: ignore[arg-type]


@pytest.mark.parametrize("pair", [("s01.tif", "s1.tif"), ("s1.tif", "s1.png"), ("s2.TIF", "S02.tiff")])
def test_duplicate_numbers_are_refused(pair: tuple[str, str]) -> None:
    """Two files that carry one slice number are both named and refused."""
    with pytest.raises(InputFileError, match="same slice number") as caught:
        sort_series([*pair], folder="hub")
    assert all(name in str(caught.value) for name in ("hub", *pair))


@pytest.mark.parametrize(
    "names",
    [
        ["hub1.tif", "hub2.tif", "plate1.tif", "plate2.tif"],
        ["a1_1.tif", "a1_2.tif", "a2_1.tif", "a2_2.tif"],
        ["front.tif", "back.tif"],
    ],
)
def test_two_series_are_refused_by_naming_both(names: list[str]) -> None:
    """A folder with two series names one file of each."""
    with pytest.raises(InputFileError, match="more than one series") as caught:
        sort_series(names, folder="f")
    assert sum(name in str(caught.value) for name in names) == 2


def test_numbers_against_each_other_are_refused() -> None:
    """Where two numbers would give opposite orders neither is guessed."""
    with pytest.raises(InputFileError, match="run against each other"):
        sort_series(["s1_t9.tif", "s2_t8.tif", "s3_t7.tif"], folder="f")


def test_uneven_numbering_is_refused() -> None:
    """Numbers that follow no common step give no depth."""
    with pytest.raises(InputFileError, match=r"not numbered evenly between s4\.tif and s7\.tif"):
        sort_series(["s0.tif", "s2.tif", "s4.tif", "s7.tif"], folder="f")


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("s1.tif", True),
        ("S1.TIFF", True),
        ("a.jpeg", True),
        ("thumbs.png", False),
        ("._s1.tif", False),
        ("n.txt", False),
    ],
)
def test_what_is_taken_for_a_slice(name: str, expected: bool) -> None:
    """Known endings are slices; hidden files, thumbnails and notes are not."""
    assert is_slice_name(name) is expected
