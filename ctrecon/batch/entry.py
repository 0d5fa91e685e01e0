"""What became of one stack of a batch."""

from dataclasses import dataclass

from ctrecon.record.kinds import is_outside, kind_of
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
    same_as : str
        The first stack of the batch with the same slices, byte for byte; empty where this is the first, or only one.
    """

    stack: str
    results: str
    outcome: str
    says: str = ""
    part: Part | None = None
    fault: str = ""
    kept: bool = False
    same_as: str = ""

    @property
    def across_mm(self) -> float | None:
        """Across the largest outside of the part, mm; None where there is none."""
        outsides = [] if self.part is None else [one for one in self.part.features if is_outside(one)]
        return max((size for one in outsides if (size := kind_of(one).main_size(one)) is not None), default=None)

    @property
    def deep_mm(self) -> float | None:
        """From the first end of a feature to the last, mm; None where no end is known."""
        ends = [] if self.part is None else [
            end.value for one in self.part.features for end in (one.depth_from_mm, one.depth_to_mm) if end is not None
        ]  # fmt: skip
        return max(ends) - min(ends) if len(ends) > 1 else None
