"""Make the records of the fare counter anew: render its invented parts, measure each, keep the record.

Run it from the top of the checkout: ``python notebooks/fare_counter/make_records.py``.
"""

import argparse
import json
from pathlib import Path

from ctrecon import measure_stack, write_part
from ctrecon.phantoms.fare_counter import COUNTER
from ctrecon.phantoms.ferry_counter import make

HERE = Path(__file__).parent
TRUTH = HERE.parents[1] / "tests" / "workshop" / "fare_counter_truth.json"


def main() -> None:
    """Render, measure and write each part; their true sizes go beside the tests."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--to", type=Path, default=HERE / "records", help="folder of the records")
    parser.add_argument("--truth", type=Path, default=TRUTH, help="file of the true sizes, which only tests read")
    args = parser.parse_args()
    args.to.mkdir(parents=True, exist_ok=True)
    truth = {}
    for name in COUNTER:
        phantom = make(name)
        short = name.removeprefix("counter_")
        found = measure_stack(phantom.volume, voxel_mm=phantom.voxel_mm, name=short)
        write_part(found.part, args.to / f"{short}.part.json")
        truth[short] = phantom.truth
        print(f"{short}: {len(found.part.features)} features from {len(phantom.slice_numbers)} slices")
    args.truth.write_text(json.dumps(truth, indent=1, sort_keys=True) + "\n", encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
