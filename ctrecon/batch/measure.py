"""A batch from its stacks to its results: what stands already is kept, the rest is measured side by side."""

import os
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from ctrecon.batch.alike import find_alike, write_alike
from ctrecon.batch.entry import Entry
from ctrecon.batch.index import write_index
from ctrecon.batch.journal import LOG, Journal, Line, is_batch, settings_key
from ctrecon.batch.stacks import Job, find_jobs, size_of, stamp_of
from ctrecon.batch.task import Outcome, Task
from ctrecon.batch.together import SUMMARY, write_all_features, write_summary
from ctrecon.batch.workers import spread
from ctrecon.core.errors import InputError, InputFileError, OutputExistsError
from ctrecon.core.progress import Progress, spell_time
from ctrecon.outputs import FEATURES, RECORD, SLICES, names_of
from ctrecon.record.store import read_part
from ctrecon.settings import Settings

__all__ = ["check_batch", "measure_all", "state_of"]


def measure_all(
    source: str | Path | Sequence[str | Path],
    out: str | Path,
    *,
    settings: Settings | None = None,
    force: bool = False,
    jobs: int = 1,
    scheduler: str | None = None,
    progress: Progress | None = None,
    each: Callable[[Entry, int], None] | None = None,
) -> tuple[Entry, ...]:
    """Measure many stacks, each into a folder of its own, and gather what they have in common.

    Parameters
    ----------
    source : path, pattern, or sequence of paths
        See `ctrecon.batch.find_jobs`.
    out : path
        Gets one folder a stack; ``summary.csv``, which is complete after every stack; ``features.csv`` of all of them;
        ``alike.csv``, what they share; ``index.html``; ``journal.csv`` and ``batch.log``. Where an earlier batch wrote
        there, it is gone on with: stacks whose slices and settings are the same keep their results.
    settings : Settings or None
        Stated once for all stacks; what is said of one part alone (its name, known sizes, decisions) is left aside.
    force : bool
        Write into `out` whatever it holds, and measure every stack anew.
    jobs : int
        How many stacks at once, each in a process of its own; 1 measures here.
    scheduler : str or None
        Address of a Dask scheduler whose workers see the same folders.
    progress : callable or None
        Told how many stacks are done of how many, and what is being measured.
    each : callable or None
        Told every entry as soon as it is known, and how many stacks there are.

    Returns
    -------
    tuple of Entry
        In the order of the stacks' names.

    Raises
    ------
    InputFileError
        If there is no stack, or nothing more can be written to `out`; what is done is kept.
    OutputExistsError
        If `out` holds something else than a batch and `force` was not given, or another batch is writing there.
    InputError
        If the number of jobs is below 1, or the scheduler can't be reached.
    """
    out = Path(out)
    settings = (settings or Settings()).for_many()
    check_batch(out, force=force, jobs=jobs)
    found = find_jobs(source, out)
    batch = _Batch(found, out, settings, each)
    journal = Journal(out)
    with journal.held(), batch.told():
        before = {} if force else journal.read()
        tasks = batch.begin(before, journal)
        journal.settle([before[job.stack] for job in found if job.stack in before])
        batch.write()
        try:
            for task, outcome in spread(tasks, jobs=jobs, scheduler=scheduler, look=batch.look(progress, tasks)):
                if outcome.no_place:
                    raise InputFileError(
                        f"{out}: nothing more can be written there ({outcome.says}); {len(batch.entries)} of "
                        f"{len(found)} stacks are done and kept: make room, then run the same again"
                    )
                journal.add(batch.take(task, outcome))
        finally:
            batch.write_all()
        journal.settle(batch.lines())
    return batch.in_order()


def check_batch(out: Path, *, force: bool, jobs: int) -> None:
    """Refuse a number of jobs below 1, and an output folder that is no batch's or that may not be written to."""
    if jobs < 1:
        raise InputError(f"{jobs} jobs can't measure anything; give 1 or more")
    if os.path.lexists(out) and not (out.is_dir() and (force or is_batch(out))):
        raise OutputExistsError(
            f"{out}: already exists and holds no batch to go on with; choose another folder, or add force=True to "
            "write into it"
        )
    standing = next(one for one in (out.absolute(), *out.absolute().parents) if os.path.lexists(one))
    if not standing.is_dir():
        raise InputFileError(f"{standing}: is a file, so no folder can be made in it; choose another place")
    if not os.access(standing, os.W_OK | os.X_OK):
        raise InputFileError(f"{standing}: may not be written to; choose another place for the results")


def state_of(job: Job, stamp: str, line: Line | None, out: Path, settings: Settings) -> str:
    """Return what a run does with a stack of this stamp: measure, keep, again (it failed), or read (it may differ)."""
    if line is None:
        return "measure"
    if line.outcome == "failed":
        return "again"
    needs = (RECORD, SLICES, FEATURES) if line.outcome == "measured" else (RECORD, SLICES)
    there = all((out / job.results / name).is_file() for name in names_of(*needs))
    if not there or line.settings != settings_key(settings) or line.results != job.results.as_posix():
        return "measure"
    return "keep" if stamp and line.stamp == stamp else "read"


class _Batch:
    """The entries of a run, and the files that follow from them."""

    def __init__(
        self, jobs: list[Job], out: Path, settings: Settings, each: Callable[[Entry, int], None] | None
    ) -> None:
        self.jobs, self.out, self.settings, self.each = jobs, out, settings, each
        self.entries: dict[int, Entry] = {}
        self._lines: dict[int, Line] = {}
        self._stamps: dict[int, str] = {}
        self._begun = time.monotonic()

    @contextmanager
    def told(self) -> Iterator[None]:
        """Write into the log when a run begins and how it ends."""
        self.log(f"begun: {len(self.jobs)} stacks")
        try:
            yield
        except BaseException as error:
            self.log(f"stopped ({type(error).__name__}): {len(self.entries)} of {len(self.jobs)} stacks are done")
            raise
        self.log(f"done: {len(self.entries)} stacks")

    def log(self, says: str) -> None:
        """Append a line with the time to the log, which no result depends on."""
        with (self.out / LOG).open("a", encoding="utf-8", errors="replace") as file:
            file.write(f"{time.strftime('%Y-%m-%d %H:%M:%S')} {says}\n")

    def begin(self, before: dict[str, Line], journal: Journal) -> list[Task]:
        """Take over what stands already; return what is left to do."""
        tasks = []
        for number, job in enumerate(self.jobs):
            line = before.get(job.stack)
            self._stamps[number] = stamp = stamp_of(job.path)
            state = state_of(job, stamp, line, self.out, self.settings)
            if state == "keep" and line is not None:
                self._enter(number, line, kept=True)
                continue
            content = line.content if line is not None and state == "read" else ""
            tasks.append(
                Task(
                    number=number, path=job.path, out=self.out / job.results, unfinished=journal.unfinished.absolute(),
                    settings=self.settings, content=content,
                )
            )  # fmt: skip
        return tasks

    def take(self, task: Task, outcome: Outcome) -> Line:
        """Enter what became of a task; return its line for the journal."""
        job = self.jobs[task.number]
        failed = outcome.outcome == "failed"
        word = outcome.outcome
        if outcome.kept:
            word = "measured" if read_part(self.out / job.results / "part.json").features else "nothing_found"
        line = Line(
            stack=job.stack, results="" if failed else job.results.as_posix(), outcome=word, content=outcome.content,
            stamp=self._stamps[task.number], settings=settings_key(self.settings), says=outcome.says,
        )  # fmt: skip
        self._enter(task.number, line, kept=outcome.kept, fault=outcome.fault)
        return line

    def _enter(self, number: int, line: Line, *, kept: bool, fault: str = "") -> None:
        part = None if line.outcome == "failed" else read_part(self.out / line.results / "part.json")
        entry = Entry(
            stack=line.stack, results=line.results, outcome=line.outcome, says=line.says, part=part, fault=fault,
            kept=kept,
        )  # fmt: skip
        self.entries[number], self._lines[number] = entry, line
        if not kept:
            self.log(f"{line.stack}: {line.outcome.replace('_', ' ')}{': ' if line.says else ''}{line.says}")
            self.write()
        if self.each is not None:
            self.each(entry, len(self.jobs))

    def look(self, progress: Progress | None, tasks: list[Task]) -> Callable[[], None]:
        """Return what tells a person how far things are."""
        if progress is None:
            return lambda: None
        sizes = {task.number: size_of(task.path) for task in tasks}

        def tell() -> None:
            done = sum(size for number, size in sizes.items() if number in self.entries)
            rest = sum(sizes.values()) - done
            left = ""
            if done and rest:
                left = f", about {spell_time((time.monotonic() - self._begun) * rest / done)} left"
            now = [
                f"{self.jobs[task.number].stack}: {stage}"
                for task in tasks if task.number not in self.entries and (stage := _stage(task))
            ]  # fmt: skip
            progress(f"stacks{left}; {', '.join(now)}" if now else f"stacks{left}", len(self.entries), len(self.jobs))

        return tell

    def in_order(self) -> tuple[Entry, ...]:
        """Return the entries in the order of the stacks, copies of one before them told as such."""
        first: dict[str, str] = {}
        entries = []
        for number in sorted(self.entries):
            entry, content = self.entries[number], self._lines[number].content
            same = first.setdefault(content, entry.stack) if entry.part is not None and content else entry.stack
            entries.append(entry if same == entry.stack else replace(entry, same_as=same))
        return tuple(entries)

    def lines(self) -> list[Line]:
        """Return the journal's lines in the order of the stacks."""
        return [self._lines[number] for number in sorted(self._lines)]

    def write(self) -> None:
        """Write the summary."""
        write_summary(self.in_order(), self.out / SUMMARY)

    def write_all(self) -> None:
        """Write everything that is made of several stacks."""
        entries = self.in_order()
        write_summary(entries, self.out / SUMMARY)
        write_all_features(entries, self.out)
        alike = find_alike(entries)
        write_alike(alike, self.out)
        write_index(entries, alike, self.out)


def _stage(task: Task) -> str:
    try:
        return task.told.read_text(encoding="utf-8")
    except OSError:
        return ""
