"""The command `ctrecon`: finds the command asked for, runs it, and turns trouble into one sentence.

Exit codes: 0 done, 1 internal fault, 2 bad input or use, 3 ran but found nothing to measure,
130 interrupted. Results go to stdout, everything else to stderr.
"""

import argparse
import logging
import os
import signal
import sys
import traceback
import warnings
from collections.abc import Sequence
from contextlib import suppress

from ctrecon import __version__
from ctrecon.cli import batch, calibrate, demo, draw, info, measure, phantom, wheels, workshop
from ctrecon.cli.options import DONE, FAULT, INTERRUPTED, REFUSED
from ctrecon.core.errors import CtreconError
from ctrecon.settings import in_command_line_words

__all__ = ["COMMANDS", "build_parser", "entry", "main"]

COMMANDS = (info, measure, calibrate, draw, wheels, workshop, batch, phantom, demo)

_THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")

_EPILOG = """\
exit codes: 0 done, 1 internal fault, 2 bad input or use, 3 nothing to measure, 130 interrupted.
ctrecon measures scans. Fits, loads and machine work remain the user's judgement; local rules and
licensed practice come first."""


def build_parser() -> argparse.ArgumentParser:
    """Return the parser of the whole command line."""
    parser = argparse.ArgumentParser(
        prog="ctrecon",
        description="From CT slices of a part to a dimensioned sheet a machinist can cut metal by.",
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"ctrecon {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True, dest="command")
    for command in COMMANDS:
        command.add_parser(commands)
    return parser


def _say(sentence: str) -> None:
    print(f"ctrecon: {' '.join(sentence.split())}", file=sys.stderr)


def _debugging() -> bool:
    return os.environ.get("CTRECON_DEBUG", "") not in ("", "0")


def _sentence(error: OSError) -> str:
    """Say what the system said, with the file it said it of."""
    what = error.strerror or str(error) or type(error).__name__
    return f"{error.filename}: {what}" if error.filename else what


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command.

    Parameters
    ----------
    argv : sequence of str or None
        Arguments after the program's name; None takes those of the process.

    Returns
    -------
    int
        The exit code. Wrong use, ``--help`` and ``--version`` leave by SystemExit, as argparse does.
    """
    args = build_parser().parse_args(argv)
    try:
        code: int = args.run(args)
        sys.stdout.flush()  # a closed pipe is met here, not at the very end
    except CtreconError as error:
        code = _trouble(in_command_line_words(str(error)), REFUSED)
    except BrokenPipeError:
        # Who read our output has seen enough; nobody is left to print to, not even at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = DONE
    except KeyboardInterrupt:
        code = _trouble("interrupted; nothing half-written was left behind", INTERRUPTED)
    except OSError as error:
        code = _trouble(f"{_sentence(error)}; fix this and run the command again", REFUSED)
    except MemoryError:
        code = _trouble("there is not enough memory; close other programs or take a smaller part of the stack", REFUSED)
    except Exception as error:
        code = _trouble(
            f"internal fault ({type(error).__name__}: {error}); this is our mistake, not yours: please tell the "
            "ctrecon developers the command and what it prints with CTRECON_DEBUG=1 set",
            FAULT,
        )
    return code


def _trouble(sentence: str, code: int) -> int:
    if _debugging():
        traceback.print_exc()
    _say(sentence)
    return code


def _end(_number: int, _frame: object) -> None:
    """Take the system's wish to end like Ctrl-C, so that what is half-done is cleared away."""
    raise KeyboardInterrupt


def _open_what_is_closed() -> None:
    """Give a process that was begun without output somewhere to print, lest a file of ours take that place."""
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # takes the lowest free number: this one
    sys.stdout = sys.stdout or open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115
    sys.stderr = sys.stderr or open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115


def entry() -> None:
    """Run as a program: warnings and logs of libraries stay quiet, since the record carries its own.

    Linear algebra is told before it is loaded to use one thread: small systems gain nothing by more, and a process of
    one thread can be split in two where there is work for two.
    """
    _open_what_is_closed()
    with suppress(ValueError, OSError):  # not in the first thread
        signal.signal(signal.SIGTERM, _end)
    for name in _THREADS:
        os.environ.setdefault(name, "1")
    if not sys.warnoptions and not _debugging():
        warnings.simplefilter("ignore")
        logging.getLogger().addHandler(logging.NullHandler())
    try:
        code = main()
    except KeyboardInterrupt:  # while the modules of the command were loading
        code = _trouble("interrupted; nothing was done", INTERRUPTED)
    sys.exit(code)
