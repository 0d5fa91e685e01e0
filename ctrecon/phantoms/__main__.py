"""Write the sample slices: `python -m ctrecon.phantoms FOLDER`."""

import argparse
import sys

from ctrecon.phantoms.write import make_samples


def main() -> int:
    """Write the samples into the folder named on the command line."""
    parser = argparse.ArgumentParser(prog="python -m ctrecon.phantoms", description="Write the invented sample slices.")
    parser.add_argument("folder", nargs="?", default="sample_slices", help="where to write them")
    made = make_samples(parser.parse_args().folder)
    sys.stdout.write("".join(f"{path}\n" for path in made))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
