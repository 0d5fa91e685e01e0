"""Tables of the assembly file, read key by key: every refusal names file and key, and the key that was meant."""

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from pathlib import Path
from typing import Any, NoReturn

from ctrecon.core.errors import InputError
from ctrecon.core.measured import COVERAGE_FACTOR, Measured

__all__ = ["Table", "nearest", "parse_size"]

_INCH_MM = 25.4
_LARGEST_MM = 10000.0
_NUMBER = r"[-+]?(?:\d+\.?\d*|\.\d+)"
_SIZE = re.compile(rf"\s*(?P<value>{_NUMBER})\s*(?:(?:±|\+\s*/?\s*-)\s*(?P<u>{_NUMBER}))?\s*(?P<unit>mm|in|inch)?\s*")
_IDENT = re.compile(r"[A-Za-z][A-Za-z0-9_-]*")


def nearest(word: str, known: Iterable[str]) -> str:
    """Return ", did you mean X", or what there is; for the end of a sentence.

    Examples
    --------
    >>> nearest("thicknes_mm", ["thickness_mm", "role"])
    'did you mean thickness_mm?'
    """
    there = list(known)
    lower = {one.lower(): one for one in there}
    close = get_close_matches(word.lower(), list(lower), n=1, cutoff=0.6)
    if close:
        return f"did you mean {lower[close[0]]}?"
    return f"choose from {', '.join(there)}" if there else "leave it out"


def parse_size(value: object) -> Measured:
    """Read a size (mm): a number, or a text such as ``"1.83±0.01"``, ``"1.83 +/- 0.01 mm"`` or ``"0.072 in"``.

    What follows ± is U as tables print it, two standard uncertainties (k = 2); without it u is None.

    Raises
    ------
    InputError
        If it is no size; the message says why, without the key.

    Examples
    --------
    >>> parse_size("1.83 +/- 0.01"), parse_size(2)
    (Measured(value=1.83, u=0.005, scale_u=None), Measured(value=2.0, u=None, scale_u=None))
    """
    if isinstance(value, bool) or not isinstance(value, (int, float, str)):
        raise InputError('is no size; write a number of mm, or a text such as "1.83±0.01"')
    if not isinstance(value, str):
        if not abs(value) <= _LARGEST_MM:
            raise InputError(f"{value!r:.20} is no size; give a number of mm up to {_LARGEST_MM:g}")
        return Measured(float(value), None)
    if re.search(r"\d,\d", value):
        raise InputError(f"'{value}' has a decimal comma; write '{value.replace(',', '.')}', with points")
    found = _SIZE.fullmatch(value)
    if found is None:
        raise InputError(f"'{value}' is no size; write a number of mm, or a text such as \"1.83±0.01\"")
    times = _INCH_MM if found["unit"] in ("in", "inch") else 1.0
    wide = None if found["u"] is None else float(found["u"]) * times
    if wide is not None and wide <= 0:
        raise InputError(f"'{value}': what follows ± must be above 0; leave it out where it is not known")
    size = float(found["value"]) * times
    if max(abs(size), wide or 0.0) > _LARGEST_MM:
        raise InputError(f"'{value}' is more than {_LARGEST_MM:g} mm; mend it")
    return Measured(size, None if wide is None else wide / COVERAGE_FACTOR)


@dataclass
class Table:
    """One table of the file with its key; what has been asked for is known, `close` refuses the rest.

    Parameters
    ----------
    data : mapping
        As tomllib gave it.
    key : str
        Such as ``parts.spacer``; empty for the file itself.
    file : Path
        The file, for messages.
    """

    data: Mapping[str, Any]
    key: str
    file: Path
    asked: list[str] = field(default_factory=list)

    def at(self, name: str) -> str:
        """Return the whole key of one of its keys."""
        return f"{self.key}.{name}" if self.key else name

    def refuse(self, name: str, why: str) -> NoReturn:
        """Raise the one sentence: file, key, what is wrong and what to do."""
        raise InputError(f"{self.file}: {self.at(name) if name else self.key}: {why}")

    def _get(self, name: str) -> Any:
        if name not in self.asked:
            self.asked.append(name)
        return self.data.get(name)

    def has(self, name: str) -> bool:
        """Return whether the key is there."""
        return self._get(name) is not None

    def need(self, name: str, what: str) -> None:
        """Refuse the table where a key is missing."""
        if not self.has(name):
            self.refuse(name, f"is missing; give {what}")

    def text(self, name: str, default: str = "", *, choices: tuple[str, ...] = ()) -> str:
        """Return a text, one of the choices where there are some."""
        value = self._get(name)
        if value is None:
            return default
        if not isinstance(value, str) or not value.strip():
            self.refuse(name, "must be a text in quotes")
        if choices and value not in choices:
            self.refuse(name, f"'{value}' is not known; {nearest(value, choices)}")
        return value.strip()

    def number(self, name: str, default: float, *, least: float = -math.inf, most: float = math.inf) -> float:
        """Return a plain number within bounds."""
        value = self._get(name)
        if value is None:
            return default
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            self.refuse(name, "must be a number")
        if not least <= value <= most:
            self.refuse(name, f"is {value:g}; give a number from {least:g} to {most:g}")
        return float(value)

    def flag(self, name: str, default: bool = False) -> bool:
        """Return true or false."""
        value = self._get(name)
        if value is None:
            return default
        if not isinstance(value, bool):
            self.refuse(name, "must be true or false, without quotes")
        return value

    def size(self, name: str, *, above_zero: bool = True) -> Measured | None:
        """Return a size (mm), None where the key is not there."""
        value = self._get(name)
        return None if value is None else self.as_size(name, value, above_zero=above_zero)

    def as_size(self, name: str, value: object, *, above_zero: bool = True) -> Measured:
        """Return a value as a size (mm)."""
        try:
            size = parse_size(value)
        except InputError as error:
            self.refuse(name, str(error))
        if above_zero and size.value <= 0:
            self.refuse(name, f"is {size.value:g} mm; a size must be above 0")
        return size

    def sizes(self, name: str, count: int | None = None, *, above_zero: bool = True) -> tuple[Measured, ...]:
        """Return a list of sizes (mm), empty where the key is not there."""
        value = self._get(name)
        if value is None:
            return ()
        if not isinstance(value, list) or (count is not None and len(value) != count):
            self.refuse(name, f"must be a list of {count} sizes" if count else "must be a list of sizes")
        return tuple(self.as_size(name, one, above_zero=above_zero) for one in value)

    def points(self, name: str, value: object = None, *, least: int = 1) -> tuple[tuple[float, float], ...]:
        """Return a list of [x, y] (mm)."""
        raw = self._get(name) if value is None else value
        if raw is None:
            return ()
        if not isinstance(raw, list) or not all(isinstance(one, list) and len(one) == 2 for one in raw):
            self.refuse(name, "must be a list of places, such as [[1.0, 2.0], [3.0, 4.0]]")
        if len(raw) < least:
            self.refuse(name, f"has {len(raw)} places; give at least {least}")
        pairs = [tuple(self.as_size(name, one, above_zero=False).value for one in pair) for pair in raw]
        return tuple((pair[0], pair[1]) for pair in pairs)

    def texts(self, name: str) -> tuple[str, ...]:
        """Return a list of texts, empty where the key is not there; none may stand twice."""
        value = self._get(name)
        if value is None:
            return ()
        if not isinstance(value, list) or not all(isinstance(one, str) and one.strip() for one in value):
            self.refuse(name, "must be a list of texts in quotes")
        twice = next((one for one in value if value.count(one) > 1), None)
        if twice is not None:
            self.refuse(name, f"'{twice}' stands there twice; leave one out")
        return tuple(value)

    def table(self, name: str) -> "Table":
        """Return a table inside, empty where the key is not there."""
        value = self._get(name)
        if value is not None and not isinstance(value, dict):
            self.refuse(name, f"must be a table, such as [{self.at(name)}]")
        return Table(value or {}, self.at(name), self.file)

    def tables(self, name: str, *, shape: str = "[[{}]]") -> list["Table"]:
        """Return a list of tables, empty where the key is not there."""
        value = self._get(name)
        if value is None:
            return []
        if not isinstance(value, list) or not all(isinstance(one, dict) for one in value):
            self.refuse(name, f"must be a list of tables, such as {shape.format(self.at(name))}")
        return [Table(one, f"{self.at(name)}[{number}]", self.file) for number, one in enumerate(value, 1)]

    def each(self) -> list[tuple[str, "Table"]]:
        """Return all tables inside by their name, which must be a plain word."""
        for name in self.data:
            if not _IDENT.fullmatch(name):
                self.refuse(name, "is no name; start with a letter and use letters, digits, _ and - only")
        return [(name, self.table(name)) for name in self.data]

    def one_of(self, name: str, known: Iterable[str], what: str) -> str:
        """Return a text that must be one of those known; `what` says what they are."""
        value, there = self.text(name), list(known)
        if value and value not in there:
            self.refuse(name, f"there is no {what} '{value}'; {nearest(value, there)}")
        return value

    def some_of(self, name: str, known: Iterable[str], what: str) -> tuple[str, ...]:
        """Return a list of texts that must all be known."""
        values, there = self.texts(name), list(known)
        for one in values:
            if one not in there:
                self.refuse(name, f"there is no {what} '{one}'; {nearest(one, there)}")
        return values

    def close(self) -> None:
        """Refuse a key that nobody asked for, with the nearest that is known."""
        for name in self.data:
            if name not in self.asked:
                self.refuse(name, f"is not known here; {nearest(name, self.asked)}")
