"""Errors: one root, and each is also the built-in kind a caller would expect."""

import pytest

from ctrecon.core import errors


@pytest.mark.parametrize(
    ("kind", "built_in"),
    [
        (errors.InputError, ValueError),
        (errors.NoScaleError, ValueError),
        (errors.NoFeatureError, KeyError),
        (errors.WrongTypeError, TypeError),
        (errors.InputFileError, OSError),
        (errors.OutputExistsError, OSError),
    ],
)
def test_errors_are_built_in_kinds_too(kind: type[Exception], built_in: type[Exception]) -> None:
    """Every error can be caught as ours and as the built-in kind, and prints its sentence."""
    sentence = "hub.tif: is cut short; copy it again"
    with pytest.raises(built_in) as caught:
        raise kind(sentence)
    assert isinstance(caught.value, errors.CtreconError)
    assert str(caught.value) == sentence


def test_all_names_exist() -> None:
    """What the module offers is there and descends from the one root."""
    assert all(issubclass(getattr(errors, name), errors.CtreconError) for name in errors.__all__)
