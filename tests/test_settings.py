"""The options of a run are checked where they are gathered."""

import math
from dataclasses import MISSING, fields
from pathlib import Path

import pytest

from ctrecon.cli.main import build_parser
from ctrecon.core.errors import InputError
from ctrecon.core.voxel import voxel_edges
from ctrecon.settings import ONE_PART, SHEET, Settings, flag_of, in_command_line_words, option_of


def test_three_edges_keep_their_order() -> None:
    """Three numbers are (dz, dy, dx) as given; whole numbers become floats."""
    assert voxel_edges([1, 0.5, 0.25]) == (1.0, 0.5, 0.25)


@pytest.mark.parametrize("numbers", [[], [1, 2], [1, 2, 3, 4], [0.0], [-1.0], [math.nan], [10**400], [0.1, math.inf, 0.1]])
def test_impossible_voxels_are_refused(numbers: list[float]) -> None:
    """Two or four edges, nothing, and sizes that are not lengths are refused with what to do."""
    with pytest.raises(InputError, match="give"):
        voxel_edges(numbers)


@pytest.mark.parametrize("wrong", [
    {"voxel_mm": (0.1, -0.1, 0.1)}, {"name": "  "}, {"paper": "A5"}, {"projection": "second"}, {"units": "ft"}, {"prior_separate": 0.0}, {"prior_separate": 1.0},
    {"prior_separate": math.nan}, {"slices": (1, 2, 3)}, {"slices": (0, math.inf)}, {"prior_separate": 10**400}, {"prior_separate": "half"}, {"window": "all"},
])  # fmt: skip
def test_settings_refuse_what_cannot_be_used(wrong: dict[str, object]) -> None:
    """A setting that cannot be used is refused when it is made, not an hour later."""
    with pytest.raises(InputError):
        Settings(**wrong)


GIVEN = {
    "voxel_mm": ["0.1", "0.2", "0.3"], "depth_towards_viewer": [], "boundary": ["outer"], "prior_separate": ["0.5"],
    "known": ["F1=3"], "decisions": ["kept.json"], "name": ["hub"], "paper": ["A3"], "projection": ["third"],
    "units": ["in"], "raw": ["3x4x5:uint8"], "slices": ["1", "2"], "window": ["1", "2", "3", "4"], "join": ["2"], "quick": [],
    "edges": ["as-found"], "digits": ["3"],
}  # fmt: skip
"""Every setting with another value than its own, as it is typed."""


def test_every_setting_is_an_option_and_reaches_the_run() -> None:
    """Each field has its flag and its help on `measure`, and what is typed comes out of the parser in its place."""
    from ctrecon.cli.options import settings_from

    assert set(GIVEN) == {one.name for one in fields(Settings)}
    argv = ["measure", "scan", "--out", "out"]
    for name, words in GIVEN.items():
        argv += [flag_of(name), *words]
    plain, given = Settings(), settings_from(build_parser().parse_args(argv))
    for one in fields(Settings):
        assert option_of(one).help
        assert getattr(given, one.name) != getattr(plain, one.name)
    assert given.known == ("F1=3",)
    assert given.decisions == Path("kept.json")


def test_nothing_given_is_every_default() -> None:
    """A command without options runs with what the fields say, and lists are not shared between runs."""
    from ctrecon.cli.options import settings_from

    for _ in range(2):
        args = build_parser().parse_args(["measure", "scan", "--out", "out"])
        assert settings_from(args) == Settings()
        build_parser().parse_args(["measure", "scan", "--out", "out", "--known", "F1=3"])


def test_a_folder_of_parts_keeps_all_that_is_not_of_one_part() -> None:
    """No setting is lost on the way to a batch unless it is about one part: its name, known sizes, decisions."""
    one_part = {one.name for one in fields(Settings) if option_of(one).about == ONE_PART}
    assert one_part == {"known", "decisions", "name"}
    given = Settings(
        voxel_mm=0.1, depth_towards_viewer=True, boundary="outer", prior_separate=0.5, known="F1=3", decisions="d.json",
        name="hub", paper="A3", projection="third", units="in", raw="3x4x5:uint8", slices=(1, 2), window=(1, 2, 3, 4),
        join=2, quick=True, edges="as-found", digits=3,
    )  # fmt: skip
    many = given.for_many()
    for one in fields(Settings):
        assert one.default is not MISSING
        assert getattr(many, one.name) == (one.default if one.name in one_part else getattr(given, one.name))


@pytest.mark.parametrize(("known", "says"), [("F1=4,5", "comma"), (("F1=12", "f1 = 12.1"), "given twice")])
def test_a_slip_in_a_known_size_is_told_before_measuring(known: str | tuple[str, ...], says: str) -> None:
    """Minutes of measuring are not spent on what cannot be used."""
    with pytest.raises(InputError, match=says):
        Settings(known=known)


def test_choices_of_the_sheet_are_those_it_can_draw() -> None:
    """Papers, projections and units offered are those the drawing knows."""
    from ctrecon.drawing.model.edges import EDGES
    from ctrecon.drawing.model.views import PROJECTIONS, UNITS
    from ctrecon.drawing.page import PAPERS

    offered = {one.name: set(option_of(one).choices) for one in fields(Settings) if option_of(one).about == SHEET and option_of(one).choices}
    assert offered == {"paper": set(PAPERS), "projection": set(PROJECTIONS), "units": set(UNITS), "edges": set(EDGES)}


@pytest.mark.parametrize(
    ("sentence", "typed"),
    [
        ("give it as voxel_mm=(dz, dy, dx) in mm", "give it as --voxel-mm DZ DY DX in mm"),
        ("or add force=True to replace it", "or add --force to replace it"),
        ("its surname=x is of no matter", "its surname=x is of no matter"),
    ],
)
def test_advice_in_python_becomes_an_option(sentence: str, typed: str) -> None:
    """The command tells what to type, not what to write into a script."""
    assert in_command_line_words(sentence) == typed
