"""The order of slice files: natural numbers, duplicates, gaps, and what is not a slice.

File names are the only thing that says which slice comes first. The number that varies
between the names is taken for the slice number; where that is not plain, the folder is
refused rather than guessed, because a wrong order bends every depth.
"""

import itertools
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import PurePath

from ctrecon.core.errors import InputFileError

__all__ = ["Series", "pattern_of", "sort_series"]

_NUMBER = re.compile(r"[0-9]+")


@dataclass(frozen=True)
class Series:
    """Slice names in depth order, with a place kept for every slice that is missing.

    Attributes
    ----------
    names : tuple of str
        One name per slice; an empty string where the slice is missing.
    missing : tuple of int
        Positions of the missing slices in `names`.
    gaps : tuple of str
        One phrase for each gap, e.g. ``"2 after s03.tif"``.
    """

    names: tuple[str, ...]
    missing: tuple[int, ...] = ()
    gaps: tuple[str, ...] = ()


def pattern_of(name: str) -> str:
    """Return the name without its suffix, its numbers replaced by ``*``."""
    return _NUMBER.sub("*", PurePath(name).stem.lower())


def sort_series(names: Sequence[str], *, folder: str) -> Series:
    """Put slice file names into depth order.

    Parameters
    ----------
    names : sequence of str
        File names without folder, in any order.
    folder : str
        What the messages call the folder.

    Returns
    -------
    Series
        Ordered names; a gap in the numbering keeps its empty places, while numbers
        that always step by the same amount (2, 4, 6 ...) have no gap.

    Raises
    ------
    InputFileError
        If the names belong to several series, two names carry one number, or it is not
        plain which number counts the slices.
    """
    ordered = sorted(names)
    if len(ordered) < 2:
        return Series(tuple(ordered))
    _refuse_other_patterns(ordered, folder)
    fields = {name: tuple(int(n) for n in _NUMBER.findall(PurePath(name).stem)) for name in ordered}
    _refuse_duplicates(ordered, fields, folder)
    counters = _counting_fields(ordered, fields, folder)
    # several numbers may count in step (a depth beside an index): the one with the fewest gaps wins, then the last
    found = [_with_gaps(ordered, [fields[name][at] for name in ordered], folder) for at in counters]
    even = [series for series in found if isinstance(series, Series)]
    if not even:
        raise InputFileError(str(found[-1]))
    fewest = min(len(series.missing) for series in even)
    return [series for series in even if len(series.missing) == fewest][-1]


def _refuse_other_patterns(names: Sequence[str], folder: str) -> None:
    counts = Counter(pattern_of(name) for name in names)
    if len(counts) == 1:
        return
    (first, _), (second, _) = sorted(counts.items(), key=lambda item: (-item[1], item[0]))[:2]
    one = next(name for name in names if pattern_of(name) == first)
    other = next(name for name in names if pattern_of(name) == second)
    msg = (
        f"{folder} holds more than one series of images, for example {one} and {other}; "
        "put each series into a folder of its own"
    )
    raise InputFileError(msg)


def _refuse_duplicates(names: Sequence[str], fields: dict[str, tuple[int, ...]], folder: str) -> None:
    seen: dict[tuple[int, ...], str] = {}
    for name in names:
        earlier = seen.setdefault(fields[name], name)
        if earlier != name:
            msg = f"{folder} holds {earlier} and {name}, which carry the same slice number; remove one of them"
            raise InputFileError(msg)


def _counting_fields(names: Sequence[str], fields: dict[str, tuple[int, ...]], folder: str) -> list[int]:
    """Positions of the numbers that are different in every name and rise together."""
    width = len(fields[names[0]])
    unique = [at for at in range(width) if len({fields[name][at] for name in names}) == len(names)]
    if not unique:
        one, other = _two_series(names, fields)
        msg = (
            f"{folder} holds more than one series of images, for example {one} and {other}, "
            "where no single number counts the slices; put each series into a folder of its own"
        )
        raise InputFileError(msg)
    orders = {tuple(sorted(names, key=lambda name: fields[name][at])) for at in unique}
    if len(orders) > 1:
        msg = (
            f"{folder} holds names with two numbers that run against each other, for example {names[0]} and "
            f"{names[1]}; leave only the slice number in the names"
        )
        raise InputFileError(msg)
    return unique


def _two_series(names: Sequence[str], fields: dict[str, tuple[int, ...]]) -> tuple[str, str]:
    """Two names that share one number: the clearest example of two series."""
    width = len(fields[names[0]])
    for at in reversed(range(width)):
        seen: dict[int, str] = {}
        if len({fields[name][at] for name in names}) == 1:
            continue
        for name in names:
            earlier = seen.setdefault(fields[name][at], name)
            if earlier != name:
                return earlier, name
    return names[0], names[1]


def _with_gaps(names: Sequence[str], numbers: Sequence[int], folder: str) -> Series | str:
    """Names in order with empty places for the gaps, or the sentence why not."""
    pairs = sorted(zip(numbers, names, strict=True))
    steps = [after[0] - before[0] for before, after in itertools.pairwise(pairs)]
    step = min(steps)
    if any(jump % step for jump in steps):
        at = next(i for i, jump in enumerate(steps) if jump % step)
        return (
            f"{folder} is not numbered evenly between {pairs[at][1]} and {pairs[at + 1][1]}; "
            "number the slices by their depth"
        )
    absent = sum(jump // step - 1 for jump in steps)
    if absent > len(names):
        at = max(range(len(steps)), key=lambda i: steps[i])
        return (
            f"{folder} lacks {absent} slices and holds {len(names)}, with the widest gap after {pairs[at][1]}; "
            "put the missing slices back or number the files without gaps"
        )
    out: list[str] = []
    missing: list[int] = []
    gaps: list[str] = []
    for (_, name), jump in zip(pairs, [*steps, step], strict=True):
        out.append(name)
        lost = jump // step - 1
        if lost:
            gaps.append(f"{lost} after {name}")
            missing.extend(range(len(out), len(out) + lost))
            out.extend([""] * lost)
    return Series(tuple(out), tuple(missing), tuple(gaps))
