"""Options of the commands: the settings say themselves how they are given; the rest stands here.

Only the standard library is imported here, so that ``--help`` and ``--version`` answer at once.
"""

import argparse
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING

from ctrecon.settings import Settings, flag_of, option_of

__all__ = [
    "DONE", "FAULT", "INTERRUPTED", "NOTHING_FOUND", "REFUSED", "Commands", "add_out", "add_setting", "add_settings",
    "add_stack", "settings_from",
]  # fmt: skip

DONE, FAULT, REFUSED, NOTHING_FOUND, INTERRUPTED = 0, 1, 2, 3, 130
"""The exit codes."""

if TYPE_CHECKING:
    Commands = argparse._SubParsersAction[argparse.ArgumentParser]
else:
    Commands = object


def add_stack(parser: argparse.ArgumentParser) -> None:
    """Add the stack to read."""
    parser.add_argument("stack", metavar="STACK", type=Path, help="folder of slices, or one image file")


def add_out(parser: argparse.ArgumentParser, *, default: Path | None = None, goes_on: bool = False) -> None:
    """Add where the results go, and whether they may replace others."""
    where = "" if default is None else f" (default {default})"
    there = "where an earlier run wrote there, it is gone on with" if goes_on else f"it must not be there yet{where}"
    parser.add_argument(
        "--out", metavar="DIR", type=Path, required=default is None, default=default,
        help=f"folder the results go to; {there}",
    )  # fmt: skip
    parser.add_argument("--force", action="store_true", help="replace results that are there already")


def add_setting(parser: argparse.ArgumentParser, name: str, *, required: bool = False) -> None:
    """Add one setting by its name."""
    one = next(one for one in fields(Settings) if one.name == name)
    option = option_of(one)
    given = dict(option.more)
    if option.choices:
        given["choices"] = option.choices
    if option.parse is not None:
        given["type"] = option.parse
    if required:
        given["required"] = True
    default = list(one.default) if isinstance(one.default, tuple) else one.default
    parser.add_argument(flag_of(name), help=option.help, default=default, **given)


def add_settings(parser: argparse.ArgumentParser, *about: str) -> None:
    """Add every setting that is about these things."""
    for one in fields(Settings):
        if option_of(one).about in about:
            add_setting(parser, one.name)


def settings_from(args: argparse.Namespace) -> Settings:
    """Gather what was given on the command line.

    Raises
    ------
    InputError
        If a value cannot be used.
    """
    return Settings(**{one.name: getattr(args, one.name) for one in fields(Settings) if hasattr(args, one.name)})
