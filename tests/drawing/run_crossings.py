"""Draws sheets of random worn parts and counts texts that a line or another text runs through.

    .venv/bin/python tests/drawing/run_crossings.py --sheets 60 --parts 20 --seed 9000

Each part is rendered and measured once; paper, units and projection of each sheet are drawn by chance.
"""

import argparse
import random
import sys
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parent)]

import crossings  # noqa: E402
from worn import parts  # noqa: E402

from ctrecon import SliceStack, measure_stack  # noqa: E402
from ctrecon.record.part import Part  # noqa: E402

KINDS = ("hub", "plate", "wheel", "sandwich", "ring", "fragment", "broken")
PAPERS, UNITS, PROJECTIONS = (None, "A4", "A3", "Letter"), ("mm", "in"), ("first", "third")


def measured(kind: str, seed: int) -> Part:
    """Render a worn part and measure it."""
    told, _, _ = parts.make(kind, seed)
    stack = SliceStack.from_array(told.slices, voxel_mm=told.voxel_mm, source=f"{kind}-{seed}")
    return measure_stack(stack).part


def drawn(part: Part, rng: random.Random) -> tuple[str, bytes]:
    """Draw a sheet in a way that chance chooses; return how, and its PDF."""
    paper, units, projection = rng.choice(PAPERS), rng.choice(UNITS), rng.choice(PROJECTIONS)
    data = crossings.sheet_pdf(part, paper=paper, units=units, projection=projection)
    return f"{part.name} {paper} {units} {projection}", data


def main() -> None:
    """Print each sheet with a crossing, and the sums."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sheets", type=int, default=60)
    parser.add_argument("--parts", type=int, default=20)
    parser.add_argument("--seed", type=int, default=8000)
    args = parser.parse_args()
    rng = random.Random(args.seed)  # noqa: S311
    made = [measured(KINDS[k % len(KINDS)], args.seed + k) for k in range(args.parts)]
    hit = count = pages = 0
    for k in range(args.sheets):
        how, data = drawn(made[k % len(made)], rng)
        found = crossings.crossings(data)
        hit, count, pages = hit + bool(found), count + len(found), pages + crossings.page_count(data)
        if found:
            print(how, [(one.page, one.text, one.by, one.at) for one in found[:5]], flush=True)
    print(f"{args.sheets} sheets, {pages} pages: {count} crossings on {hit} sheets")


if __name__ == "__main__":
    main()
