"""Several names in one sentence."""

from collections.abc import Sequence

__all__ = ["listed"]


def listed(names: Sequence[str]) -> str:
    """Return names as a sentence lists them.

    Examples
    --------
    >>> listed(["F1"]), listed(["F1", "F2"]), listed(["F1", "F2", "F4"])
    ('F1', 'F1 and F2', 'F1, F2 and F4')
    """
    return " and ".join(names) if len(names) < 3 else ", ".join(names[:-1]) + " and " + names[-1]
