"""Print the share of each stage in the processor time of a measurement: what the progress bar's shares are taken from.

``python tests/bench/stages.py STACK [STACK ...]``; each stack is measured with all its outputs.
"""

import sys
import tempfile
import time
from pathlib import Path

from ctrecon.core.progress import STAGES
from ctrecon.pipeline import measure_to_folder


def seconds_of(stack: Path) -> dict[str, float]:
    """Return the processor time of each stage, s; what comes before the first counts as the first."""
    spent = dict.fromkeys(STAGES, 0.0)
    now, since = next(iter(STAGES)), time.process_time()

    def tell(stage: str, done: int, total: int) -> None:
        nonlocal now, since
        at = time.process_time()
        spent[now] += at - since
        since = at
        now = stage if stage in STAGES else now

    with tempfile.TemporaryDirectory() as folder:
        measure_to_folder(stack, Path(folder, "out"), progress=tell)
    spent[now] += time.process_time() - since
    return spent


def main() -> None:
    found = [seconds_of(Path(one)) for one in sys.argv[1:]]
    print(f"{'':12}", *(f"{Path(one).name:>12}" for one in sys.argv[1:]), f"{'on the bar':>12}")
    for stage, share in STAGES.items():
        print(f"{stage:12}", *(f"{100 * one[stage] / sum(one.values()):10.1f} %" for one in found), f"{share:10.1f} %")
    print(f"{'seconds':12}", *(f"{sum(one.values()):12.1f}" for one in found))


if __name__ == "__main__":
    main()
