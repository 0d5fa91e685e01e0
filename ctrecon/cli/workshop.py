"""`ctrecon workshop ASSEMBLY.toml --out DIR`: plans the work from measured parts to metal."""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from ctrecon.cli.console import print_files
from ctrecon.cli.options import DONE, Commands, add_out

if TYPE_CHECKING:
    from ctrecon.workshop.plan.model import Plan

__all__ = ["FILES", "add_parser", "run"]

FILES = ("plan.pdf", "plan.json", "shopping.csv", "coordinates.csv")
"""What the command writes."""


def add_parser(commands: Commands) -> None:
    """Add the command."""
    parser = commands.add_parser(
        "workshop", help="plan the making of an assembly: stock, fits, register pins, drilling, steps",
        description=__doc__,
    )  # fmt: skip
    parser.add_argument(
        "assembly", metavar="ASSEMBLY.toml", type=Path, help="parts, how they go together, and what the shop has"
    )
    add_out(parser)
    parser.add_argument("--paper", choices=("A4", "A3", "Letter"), default="A4", help="paper of plan.pdf (default A4)")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Plan, write the files, and print what to do first."""
    from ctrecon.core.threads import one_thread
    from ctrecon.drawing.plan import write_plan
    from ctrecon.pipeline import check_target, staged_folder
    from ctrecon.workshop.assembly.read import read_assembly
    from ctrecon.workshop.plan.compose import make_plan
    from ctrecon.workshop.plan.store import write_coordinates_csv, write_plan_json, write_shopping_csv

    check_target(args.out, force=args.force, ours=FILES)
    with one_thread():
        plan = make_plan(read_assembly(args.assembly))
    with staged_folder(args.out, force=args.force, ours=FILES) as folder:
        write_plan(plan, folder / "plan.pdf", paper=args.paper)
        write_plan_json(plan, folder / "plan.json")
        write_shopping_csv(plan, folder / "shopping.csv")
        write_coordinates_csv(plan, folder / "coordinates.csv")
    _print_plan(plan)
    print_files(args.out, FILES)
    return DONE


def _print_plan(plan: "Plan") -> None:
    from ctrecon.workshop.plan.model import FAILS, LOOK

    done = sum(one.done for one in plan.steps)
    print(f"{plan.assembly.name}: {_many(len(plan.steps), 'step')}, {done} done, {_many(len(plan.set_ups), 'set-up')}")
    step = plan.next_step
    if step is None:
        print("next: nothing, all steps are done")
    else:
        parts = ", ".join(plan.names.get(one, one) for one in step.parts)
        print(f"next: {step.title} ({parts}), id {step.id}")
    looks = [one.topic for one in plan.checks if one.state == LOOK]
    fails = [one for one in plan.checks if one.state == FAILS]
    if looks:
        counts = ", ".join(f"{topic} {looks.count(topic)}" for topic in dict.fromkeys(looks))
        print(f"to look at before cutting: {_many(len(looks), 'check')} ({counts})")
    for one in fails:
        print(f"fails: {' '.join(f'{one.says} {one.why}'.split())}")
    if not looks and not fails:
        print("all checks are good")


def _many(count: int, what: str) -> str:
    return f"{count} {what}" + ("" if count == 1 else "s")
