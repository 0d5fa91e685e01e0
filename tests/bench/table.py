"""Prints the rows of the bench and keeps the table of figures in FIGURES.md."""

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from row import Figure, Row

BEGIN, END = "<!-- figures: written by tests/bench/run.py -->", "<!-- figures end -->"
_HEAD = ("| row | what | trials, seed | figures | target | |", "|---|---|---|---|---|---|")
_WORDS = {True: "met", False: "missed", None: "open"}


@dataclass(frozen=True)
class Result:
    """A row with its figures."""

    row: Row
    trials: int
    seed: int
    figures: tuple[Figure, ...]
    seconds: float

    @property
    def verdict(self) -> str:
        """Worst of its figures; `open` where chance alone could have brought the miss; empty without a target."""
        judged = [f.met for f in self.figures if f.target]
        if not judged:
            return ""
        return _WORDS[False if False in judged else None if None in judged else True]


def show(result: Result) -> str:
    """A row as it is printed when it has run."""
    lines = [
        f"{result.row.name}: {result.row.what} ({result.trials} trials, seed {result.seed}, {result.seconds:.0f} s)"
    ]
    for f in result.figures:
        verdict = f"   target {f.target}: {_WORDS[f.met]}" if f.target else ""
        lines.append(f"    {f.text}{verdict}")
    return "\n".join(lines)


def table_line(result: Result) -> str:
    """A row as it stands in FIGURES.md."""
    figures = "; ".join(f.text + (" (missed)" if f.target and f.met is False else "") for f in result.figures)
    targets = "; ".join(dict.fromkeys(f.target for f in result.figures if f.target))
    cells = (result.row.name, result.row.what, f"{result.trials}, {result.seed}", figures, targets, result.verdict)
    return "| " + " | ".join(c.replace("|e|", "e").replace("|", "/") for c in cells) + " |"


def write_table(path: Path, results: Sequence[Result], order: Sequence[Row]) -> None:
    """Put the rows that were run into the table between the two marks; rows that were not run stay as they are.

    Raises
    ------
    SystemExit
        If the file holds no such marks.
    """
    text = path.read_text(encoding="utf-8")
    if BEGIN not in text or END not in text:
        raise SystemExit(f"{path}: the marks of the table of figures are not there; put them back: {BEGIN} {END}")
    before, rest = text.split(BEGIN, 1)
    old, after = rest.split(END, 1)
    lines = {name: line for line in old.splitlines() if (name := line.split("|")[1].strip() if "|" in line else "")}
    lines.update({r.row.name: table_line(r) for r in results})
    body: list[str] = []
    for section in dict.fromkeys(row.section for row in order):
        rows = [lines[row.name] for row in order if row.section == section and row.name in lines]
        if rows:
            body += ["", f"**{section}**", "", *_HEAD, *rows]
    new = f"{before}{BEGIN}\n\n{chr(10).join(body).strip()}\n\n{END}{after}"
    temporary = path.with_name(path.name + ".tmp")
    temporary.write_text(new, encoding="utf-8")
    os.replace(temporary, path)
