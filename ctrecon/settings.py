"""The options of one measuring run: each field says how it is given, so that no other module lists them.

An option is one field here and its use. Only the standard library is imported, so that ``ctrecon --help`` answers
at once.
"""

import argparse
import re
from collections.abc import Callable, Mapping
from dataclasses import Field, dataclass, field, fields
from functools import partial
from pathlib import Path
from typing import Any

from ctrecon.core.errors import InputError, WrongTypeError
from ctrecon.core.letters import printable
from ctrecon.core.numbers import is_number
from ctrecon.core.voxel import voxel_edges

__all__ = [
    "MEASURING", "ONE_PART", "SCAN", "SHEET", "Option", "Settings", "flag_of", "in_command_line_words", "option_of",
]  # fmt: skip

SCAN, MEASURING, ONE_PART, SHEET = "scan", "measuring", "one part", "sheet"
"""What a setting is about: the slices, how they are measured, one part alone, how sheets are drawn."""


@dataclass(frozen=True, kw_only=True)
class Option:
    """How a setting is given on the command line.

    Parameters
    ----------
    about : str
        `SCAN`, `MEASURING`, `ONE_PART` or `SHEET`: commands take the settings of a group together.
    help : str
        What ``--help`` says.
    choices : tuple of str
        The words it may be; empty where it is not a word of a list.
    parse : callable
        Makes a value of one word of the command line; argparse takes its ArgumentTypeError for a sentence.
    more : mapping
        Further arguments of argparse's ``add_argument``.
    """

    about: str
    help: str
    choices: tuple[str, ...] = ()
    parse: Callable[[str], Any] | None = None
    more: Mapping[str, Any] = field(default_factory=dict)


def _given(default: Any, about: str, **words: Any) -> Any:
    """Return a field with how it is given."""
    return field(default=default, metadata={"option": Option(about=about, **words)})


def option_of(one: "Field[Any]") -> Option:
    """Return how a field of `Settings` is given."""
    found: Option = one.metadata["option"]
    return found


def _millimetres(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        hint = "use a point, not a comma" if "," in text else "name the stack before this option"
        raise argparse.ArgumentTypeError(f"'{text}' is not a number of mm ({hint})") from None


def _whole(text: str, what: str = "a whole number") -> int:
    try:
        return int(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"'{text}' is not {what}") from None


def _probability(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"'{text}' is not a probability; give a number such as 0.5") from None


def _whole_numbers(given: Any, many: int, name: str) -> tuple[int, ...]:
    try:
        numbers = tuple(int(one) for one in given)
    except (TypeError, ValueError, OverflowError):
        numbers = ()
    if len(numbers) != many:
        raise InputError(f"{name} {given!r} is not {many} whole numbers; give them counted from 0")
    return numbers


@dataclass(frozen=True, kw_only=True)
class Settings:
    """What a person may say about a stack before it is measured.

    Parameters
    ----------
    voxel_mm : (dz, dy, dx), float or None
        Stated voxel edges in mm, or one for all; None takes what the files state.
    depth_towards_viewer : bool or None
        The slices run towards the viewer (True) or away (False); None: nobody knows, away is assumed and noted.
    raw : str or None
        How grey values lie in a file that says nothing of itself, such as ``93x512x512:uint16``.
    slices : (first, last) or None
        The slices to measure, both ends taken; None takes all.
    window : (left, top, right, bottom) or None
        First and last column and row to measure; None takes all.
    join : int
        How many voxels along each edge are joined into one before anything is measured.
    quick : bool
        A first look: the stack is thinned to at most 128 voxels an edge.
    boundary : {"metal", "outer"}
        What to measure where corrosion product clings to the metal: the sound metal, or the outer skin.
    prior_separate : float or None
        How likely it is, before the slices are looked at, that the part is of more than one piece (above 0, below
        1); None takes the usual.
    known : str or tuple of str
        Sizes known from the part itself, such as ``F1=12.00±0.02``; true scale is found from them.
    decisions : path or None
        File of decisions that a person made on an earlier record of the part; they are replayed.
    name : str or None
        Name of the part in the record; None takes the name of the stack.
    paper : {"A4", "A3", "Letter"} or None
        Sheet size; None takes the smaller of A4 and A3 that holds the views.
    projection : {"first", "third"}
        How views are placed on the sheet.
    units : {"mm", "in"}
        Units of length on the sheet; inches have mm beside them. The record stays in mm.
    digits : int or None
        Most decimals (0 to 4) of a length in mm in the views of the sheet; None takes 2.
    edges : {"to-make", "as-found"}
        Whether outlines, templates and solids take worn edges as they were sound, or as they were found.

    Raises
    ------
    InputError
        If a value cannot be used.

    Examples
    --------
    >>> from ctrecon import Settings
    >>> Settings(voxel_mm=0.05, paper="A3").voxel_mm
    (0.05, 0.05, 0.05)
    >>> Settings(paper="A7")
    Traceback (most recent call last):
    ...
    ctrecon.core.errors.InputError: paper 'A7' is not known; choose one of A4, A3, Letter
    """

    voxel_mm: tuple[float, float, float] | float | None = _given(
        None, SCAN, parse=_millimetres, more={"metavar": "MM", "nargs": "+"},
        help="voxel edge in mm, or three: between slices, down, across (DZ DY DX)",
    )  # fmt: skip
    depth_towards_viewer: bool | None = _given(
        None, SCAN, more={"action": argparse.BooleanOptionalAction},
        help="the slices run towards the viewer, or (--no-...) away from them; default: away, and a wrong "
        "guess mirrors the part",
    )  # fmt: skip
    raw: str | None = _given(
        None, SCAN, more={"metavar": "SHAPE:TYPE"},
        help="for a file of nothing but grey values: SLICESxROWSxCOLUMNS:TYPE, such as 93x512x512:uint16, with :big "
        "for big-endian and :skip=BYTES for what lies before them",
    )  # fmt: skip
    slices: tuple[int, int] | None = _given(
        None, SCAN, parse=_whole, more={"metavar": ("FIRST", "LAST"), "nargs": 2},
        help="measure these slices only, counted from 0, both ends taken",
    )  # fmt: skip
    window: tuple[int, int, int, int] | None = _given(
        None, SCAN, parse=_whole, more={"metavar": ("LEFT", "TOP", "RIGHT", "BOTTOM"), "nargs": 4},
        help="measure this window in plan only: first column and row, last column and row, counted from 0",
    )  # fmt: skip
    join: int = _given(
        1, SCAN, parse=_whole, more={"metavar": "N"},
        help="join N x N x N voxels into one before measuring",
    )  # fmt: skip
    quick: bool = _given(
        False, SCAN, more={"action": "store_true"},
        help="a first look at a large stack: thinned to at most 128 voxels an edge, and flagged so",
    )  # fmt: skip
    boundary: str = _given(
        "metal", MEASURING, choices=("metal", "outer"),
        help="where corrosion product clings to the part: measure the sound metal (the default) or the outer skin",
    )  # fmt: skip
    prior_separate: float | None = _given(
        None, MEASURING, parse=_probability, more={"metavar": "P"},
        help="how likely it is, before the slices are looked at, that the part is of more than one piece (above 0, "
        "below 1; default 0.3). The probabilities of the pieces start from it",
    )  # fmt: skip
    known: tuple[str, ...] | str = _given(
        (), ONE_PART, more={"metavar": "FEATURE=VALUE±U", "action": "append"},
        help="a size known from the part itself, in mm, to find true scale from; may be given several times. Measure "
        "once, read the ids from the table, then give (to measure, with the same options) for example "
        "F1=12.00±0.02 (main size of F1), F3.length=4.5±0.05 or F1:F4=30.00±0.02 (distance of two axes). U "
        "counts as two standard uncertainties (k = 2), as in the tables; +- or +/- do as well as ±",
    )  # fmt: skip
    decisions: str | Path | None = _given(  # noqa: RUF009
        None, ONE_PART, parse=Path, more={"metavar": "FILE"},
        help="decisions.json of an earlier record of this part: what was rejected, renamed, added or known there is "
        "replayed here; unmatched decisions are reported",
    )  # fmt: skip
    name: str | None = _given(
        None, ONE_PART,
        help="name of the part on the sheet (default: the name of the stack)",
    )  # fmt: skip
    paper: str | None = _given(
        None, SHEET, choices=("A4", "A3", "Letter"),
        help="sheet size (default: the smaller of A4 and A3 that fits)",
    )  # fmt: skip
    projection: str = _given(
        "first", SHEET, choices=("first", "third"),
        help="how views are placed on the sheet: first angle (the default) or third angle",
    )  # fmt: skip
    units: str = _given(
        "mm", SHEET, choices=("mm", "in"),
        help="units of length on the sheet: mm (the default), or inches with mm beside; the record stays in mm",
    )  # fmt: skip
    edges: str = _given(
        "to-make", SHEET, choices=("to-make", "as-found"),
        help="worn edges in outlines, templates and solids: sound (the default), or as found; sheets show both",
    )  # fmt: skip

    digits: int | None = _given(
        None, SHEET, parse=partial(_whole, what="a number of decimals; give 0 to 4"), more={"metavar": "N"},
        help="most decimals of a length in mm in the views of the sheet, 0 to 4 (default: 2, and never more than U "
        "supports; inches get one more); the tables have all",
    )  # fmt: skip

    def __post_init__(self) -> None:
        for one in fields(self):
            value, choices = getattr(self, one.name), option_of(one).choices
            if choices and value not in choices and (value is not None or one.default is not None):
                raise InputError(f"{one.name} {value!r} is not known; choose one of {', '.join(choices)}")
        if self.voxel_mm is not None:
            object.__setattr__(self, "voxel_mm", voxel_edges(self.voxel_mm))
        for name, many in (("slices", 2), ("window", 4)):
            if getattr(self, name) is not None:
                object.__setattr__(self, name, _whole_numbers(getattr(self, name), many, name))
        if self.digits is not None and not 0 <= self.digits <= 4:
            raise InputError(f"digits {self.digits} is not a number of decimals for a sheet; choose 0 to 4")
        if self.name is not None and not str(self.name).strip():
            raise InputError("the name of the part is empty; leave it out to use the name of the stack")
        if self.name is not None:
            object.__setattr__(self, "name", printable(str(self.name).strip()))
        prior = self.prior_separate
        if prior is not None and not (is_number(prior) and 0 < prior < 1):
            raise InputError(
                f"the prior that the part is of more than one piece must be above 0 and below 1, not "
                f"{prior!r:.20}: at 0 or 1 no scan could change it; give it as 0.5 where nothing is known"
            )
        object.__setattr__(self, "known", (self.known,) if isinstance(self.known, str) else tuple(self.known))
        if self.known:
            from ctrecon.calibration import parse_knowns  # loads numpy

            parse_knowns(self.known)  # a slip of the pen is told before the measuring, not after

    @classmethod
    def stated(cls, given: Mapping[str, Any], *about: str, by: str) -> "Settings":
        """Return settings from the keywords of a function, which takes those about some things only.

        Parameters
        ----------
        given : mapping
            Name of a field to its value.
        *about : str
            Groups that the function takes.
        by : str
            What the function is called.

        Raises
        ------
        WrongTypeError
            If a name is none of them; it is a TypeError too, as for any unknown keyword.
        """
        taken = [one.name for one in fields(cls) if option_of(one).about in about]
        strange = next((name for name in given if name not in taken), None)
        if strange is not None:
            raise WrongTypeError(f"{by}() has no argument {strange!r}; it takes {', '.join(taken)}")
        return cls(**given)

    def for_many(self) -> "Settings":
        """Return the settings for a folder of parts: what is said of one part alone is left aside."""
        kept = {one.name: getattr(self, one.name) for one in fields(self) if option_of(one).about != ONE_PART}
        return Settings(**kept)


def flag_of(name: str) -> str:
    """Return a setting's name on the command line.

    Examples
    --------
    >>> flag_of("prior_separate")
    '--prior-separate'
    """
    return "--" + name.replace("_", "-")


def in_command_line_words(sentence: str) -> str:
    """Return an advice of the library as it is given on the command line.

    Examples
    --------
    >>> in_command_line_words("give voxel_mm=0.05, or voxel_mm=(dz, dy, dx), or add force=True")
    'give --voxel-mm 0.05, or --voxel-mm DZ DY DX, or add --force'
    """
    names = "|".join(one.name for one in fields(Settings))
    sentence = re.sub(r"(?<=\s)force=True\b", "--force", sentence)  # after a blank: a path may hold the same letters
    sentence = re.sub(
        rf"(?<=\s)({names})=(?:\(([^)]*)\))?",
        lambda found: f"{flag_of(found[1])} {(found[2] or '').replace(',', '').upper()}",
        sentence,
    )
    return sentence.replace("(dz, dy, dx)", "(DZ DY DX)")
