"""Mutated inputs over every reader and every file that is read: none may end in anything but a result or one sentence.

    python tests/hostile/run.py --inputs 10000 --seed 1      # the nightly form
    python tests/hostile/run.py --inputs 500                 # what the tests run
    python tests/hostile/run.py --only "tiff" --one 17000311   # one input again, by the number that was told

What counts as given way: any exception that is no CtreconError, a sentence of several lines, with control characters or
over 1,000 letters, a line on stderr, more than 10 s, or more than 1 GiB of memory.
"""

# ruff: noqa: E402 - threads are settled before numpy is loaded
import os

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import argparse
import multiprocessing
import random
import sys
import tempfile
import time
import warnings
from collections import Counter
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(Path(__file__).parent), str(ROOT / "tests")]

from kinds import KINDS

MOST_SECONDS, MOST_MB, LONGEST = 10.0, 1024, 1000
_TOGETHER = 25  # inputs a process: a fault of memory is told apart, and a crash loses little


def _peak_mb() -> float:
    for line in Path("/proc/self/status").read_text(encoding="utf-8").splitlines():
        if line.startswith("VmHWM"):
            return int(line.split()[1]) / 1024
    return 0.0


def one_input(kind: str, seed: int, folder: Path) -> str:
    """Make one mutated input, give it to the program; return how it gave way, or an empty string."""
    from ctrecon.core.errors import CtreconError

    rng = random.Random(f"{kind} {seed}")  # noqa: S311 - inputs, not secrets
    act = KINDS[kind](rng, folder)
    Path("/proc/self/clear_refs").write_text("5", encoding="utf-8")
    before, begun = _peak_mb(), time.process_time()
    fault = ""
    with tempfile.TemporaryFile() as told:
        kept = os.dup(2)
        os.dup2(told.fileno(), 2)
        try:
            act()
        except CtreconError as error:
            fault = _badly_said(str(error))
        except BaseException as error:
            fault = f"{type(error).__name__}: {str(error)[:200]}"
        finally:
            os.dup2(kept, 2)
            os.close(kept)
        told.seek(0)
        lines = told.read().decode("utf-8", "replace").strip()
    if lines and not fault:
        fault = f"on stderr: {lines[:200]}"
    if time.process_time() - begun > MOST_SECONDS:
        fault = fault or f"{time.process_time() - begun:.0f} s"
    if _peak_mb() - before > MOST_MB:
        fault = fault or f"{_peak_mb() - before:.0f} MB"
    return fault


def _badly_said(text: str) -> str:
    if len(text) > LONGEST:
        return f"a sentence of {len(text)} letters"
    if any(not letter.isprintable() for letter in text):
        return f"a sentence with control characters: {text[:200]!r}"
    return ""


def _several(kind: str, seeds: list[int], answer: "multiprocessing.Queue[tuple[int, str]]") -> None:
    warnings.simplefilter("ignore")
    with tempfile.TemporaryDirectory() as folder:
        for seed in seeds:
            answer.put((seed, "…"))
            place = Path(folder, str(seed))
            place.mkdir()
            answer.put((seed, one_input(kind, seed, place)))


def run(inputs: int, seed: int, *, only: str = "", tell: Callable[[str], None] = print) -> Counter[str]:
    """Run mutated inputs, spread evenly over the kinds; return how many were run and gave way, by kind."""
    import ctrecon.outputs  # loaded once, before the processes part: each would take seconds for it
    import ctrecon.pipeline  # noqa: F401

    kinds = [kind for kind in KINDS if only in kind]
    counts: Counter[str] = Counter()
    context = multiprocessing.get_context("fork")
    for number, kind in enumerate(kinds):
        share = inputs // len(kinds) + (number < inputs % len(kinds))
        seeds = [seed * 1_000_000 + k for k in range(share)]
        while seeds:
            some, answer = seeds[:_TOGETHER], context.Queue()
            worker = context.Process(target=_several, args=(kind, some, answer))
            worker.start()
            done: dict[int, str] = {}
            last = time.monotonic()
            while len(done) < len(some) or any(one == "…" for one in done.values()):
                try:
                    which, fault = answer.get(timeout=1.0)
                    done[which], last = fault, time.monotonic()
                except Exception:
                    if not worker.is_alive() or time.monotonic() - last > 20 * MOST_SECONDS:
                        break
            worker.kill()
            worker.join()
            for which, fault in done.items():
                counts[kind] += 1
                if fault:
                    counts[f"{kind} gave way"] += 1
                    tell(f"{kind} {which}: {'the process ended or never did' if fault == '…' else fault}")
            seeds = seeds[max(len(done), 1) :]
    return counts


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--inputs", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="kinds whose name holds this")
    parser.add_argument("--one", type=int, default=None, help="this input alone, with its traceback")
    args = parser.parse_args()
    if args.one is not None:
        rng = random.Random(f"{args.only} {args.one}")  # noqa: S311
        with tempfile.TemporaryDirectory() as folder:
            KINDS[args.only](rng, Path(folder))()
        return 0
    counts = run(args.inputs, args.seed, only=args.only)
    gave = sum(number for kind, number in counts.items() if kind.endswith("gave way"))
    for kind in KINDS:
        if counts[kind]:
            print(f"{kind:28} {counts[kind]:6} inputs, {counts[f'{kind} gave way']:4} gave way")
    print(f"{gave} of {sum(counts.values()) - gave} inputs gave way")
    return 1 if gave else 0


if __name__ == "__main__":
    raise SystemExit(main())
