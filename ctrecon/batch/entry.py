"""What became of one stack of a batch."""

from dataclasses import dataclass

from ctrecon.record.part import Part

__all__ = ["Entry"]


@dataclass(frozen=True, kw_only=True)
class Entry:
    """What became of one stack.

    Parameters
    ----------
    stack : str
        The stack, relative to the folder that was searched.
    results : str
        Its output folder, relative to the summary; empty where nothing was written.
    outcome : {"measured", "nothing_found", "failed"}
    says : str
        Why it failed, in one sentence; empty otherwise.
    part : Part or None
        The record, where there is one.
    fault : str
        The trace of a fault of the program itself, not of the stack; empty where there was none.
    kept : bool
        Stack and settings are those of an earlier run, whose results stand.
    """

    stack: str
    results: str
    outcome: str
    says: str = ""
    part: Part | None = None
    fault: str = ""
    kept: bool = False
