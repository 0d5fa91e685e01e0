"""Flags: short words, each with its sentence."""

import re

from ctrecon.core.flags import FLAGS, explain


def test_flags_are_short_words_with_a_sentence() -> None:
    """Flags are lower-case words joined by underscores; sentences start small and carry no full stop."""
    for flag, says in FLAGS.items():
        assert re.fullmatch(r"[a-z]+(_[a-z]+)*", flag)
        assert says[0].islower()
        assert not says.endswith(".")
        assert explain(flag) == says


def test_no_two_flags_say_the_same() -> None:
    """Every flag has a meaning of its own."""
    assert len(set(FLAGS.values())) == len(FLAGS)


def test_a_flag_from_elsewhere_is_still_readable() -> None:
    """A flag not known here (a record of a later version) comes out as words."""
    assert explain("newer_than_this") == "newer than this"
