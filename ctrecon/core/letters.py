"""Text that anybody may have written, made fit for any terminal, page and paper."""

__all__ = ["printable"]


def printable(text: str) -> str:
    r"""Return text with what has no picture of its own (controls, halves of letters, zero widths) as its code.

    Examples
    --------
    >>> printable("a\x1b[31m é")
    'a\\x1b[31m é'
    """
    return "".join(one if one.isprintable() else ascii(one)[1:-1] for one in text)
