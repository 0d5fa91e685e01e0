"""The errors ctrecon raises: one root, and children that are built-in kinds too.

Every message is one sentence that names the file or option, says what is wrong and
what to do about it. The command prints it and leaves with code 2.
"""

from ctrecon.core.letters import printable

__all__ = [
    "CtreconError", "InputError", "InputFileError", "NoFeatureError", "NoScaleError", "OutputExistsError",
    "WrongTypeError",
]  # fmt: skip


_LONGEST = 900
"""Letters of a sentence: what a file holds may be quoted in it, but nobody reads more."""


class CtreconError(Exception):
    """Anything ctrecon refuses to do; the message is one sentence that says what to do about it.

    Examples
    --------
    >>> from ctrecon import CtreconError, read_part
    >>> try:
    ...     read_part("nowhere.json")
    ... except CtreconError as refused:
    ...     print(refused)
    nowhere.json: cannot be read (No such file or directory); give the part.json that measure wrote
    """

    def __str__(self) -> str:
        """Return the sentence, fit for any terminal and page, whatever a file or a person put into it."""
        text = printable(str(self.args[0]) if self.args else "")
        return text if len(text) <= _LONGEST else f"{text[: _LONGEST - 200]} ... {text[-190:]}"

    def _render_traceback_(self) -> list[str]:
        """Return what a notebook shows instead of a traceback: the sentence is what helps."""
        text = str(self)
        return [f"{text[:1].upper()}{text[1:]}" + ("" if text.endswith((".", "?")) else ".")]


class InputError(CtreconError, ValueError):
    """A value, option or piece of data that cannot be used."""


class InputFileError(CtreconError, OSError):
    """A file or folder that is missing, damaged or of a kind not read here."""


class WrongTypeError(InputError, TypeError):
    """An argument of another type than the function takes."""


class NoFeatureError(InputError, KeyError):
    """An id that no feature of the record has."""


class NoScaleError(InputError):
    """The voxel size is neither in the files nor stated."""


class OutputExistsError(InputFileError):
    """The output folder already exists and may not be overwritten."""
