"""Print the share of each stage in the processor time of a measurement: what the progress bar's shares are taken from.

``python tests/bench/stages.py STACK [STACK ...]``; each stack is measured with all its outputs.
"""

import sys
import tempfile
import time
from pathlib import Path

from ctrecon.core.progress import BEGUN, STAGES, shares
from ctrecon.pipeline import measure_to_folder


def seconds_of(stack: Path) -> tuple[int, dict[str, float]]:
    """Return how many voxels there are and the processor time of each stage, s; what comes first counts as the first."""
    spent = dict.fromkeys(STAGES, 0.0)
    voxels, now, since = 0, STAGES[0], time.process_time()

    def tell(stage: str, done: int, total: int) -> None:
        nonlocal voxels, now, since
        voxels = total if stage == BEGUN else voxels
        at = time.process_time()
        spent[now] += at - since
        since = at
        now = stage if stage in STAGES else now

    with tempfile.TemporaryDirectory() as folder:
        measure_to_folder(stack, Path(folder, "out"), progress=tell)
    spent[now] += time.process_time() - since
    return voxels, spent


def main() -> None:
    for source in sys.argv[1:]:
        voxels, spent = seconds_of(Path(source))
        whole = sum(spent.values())
        print(f"{Path(source).name}, {voxels / 1e6:.1f} million voxels, {whole:.1f} s: share, and that of the bar, %")
        for stage, share in shares(voxels).items():
            print(f"    {stage:10}{100 * spent[stage] / whole:6.1f}{share:6.1f}", flush=True)


if __name__ == "__main__":
    main()
