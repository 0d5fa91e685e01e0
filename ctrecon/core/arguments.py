"""Arguments of public functions: one of another type is refused in one sentence."""

from ctrecon.core.errors import WrongTypeError

__all__ = ["need"]


def need(value: object, kind: type | tuple[type, ...], by: str, *, cure: str = "") -> None:
    """Refuse an argument of another type in one sentence.

    Parameters
    ----------
    value : object
        What was given.
    kind : type or tuple of type
        What is taken.
    by : str
        What the function is called.
    cure : str
        How to get one.

    Raises
    ------
    WrongTypeError
        If it is of none of these types.
    """
    if not isinstance(value, kind):
        names = " or a ".join(one.__name__ for one in (kind if isinstance(kind, tuple) else (kind,)))
        raise WrongTypeError(f"{by} takes a {names}, not a {type(value).__name__}" + (f"; {cure}" if cure else ""))
