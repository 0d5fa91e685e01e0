"""Run the notebooks in JupyterLab and photograph them from top to bottom, to be looked at as a new user would.

    python tests/browser/shots.py --theme dark --out DIR [01 02 ...]

Prints the processor seconds of each notebook's kernel, and whatever can only be seen by scrolling sideways.
"""

import argparse
import shutil
import tempfile
import time
from pathlib import Path

from conftest import ROOT, Lab, running_lab

_PAGE = "document.querySelector('.jp-WindowedPanel-outer')"
# what is wider than its place: lines of code, outputs, panels
_WIDE = """[...document.querySelectorAll('.jp-Notebook .cm-scroller, .jp-Notebook .jp-OutputArea-output, .ctr-panel, .ctr-panel *')]
.filter(e => e.offsetParent && e.scrollWidth > e.clientWidth + 1 && getComputedStyle(e).overflowX !== 'visible')
.map(e => `${e.className.toString().slice(0, 60)} ${e.scrollWidth} of ${e.clientWidth}: ${e.innerText.slice(0, 50)}`)"""


def photograph(lab: Lab, name: str, out: Path) -> None:
    """Save the open notebook screen by screen."""
    lab.browser.js(f"{_PAGE}.scrollTop = 0")
    tall, step = lab.browser.js(f"[{_PAGE}.scrollHeight, {_PAGE}.clientHeight]")
    for k in range(-(-tall // step)):
        lab.browser.js(f"{_PAGE}.scrollTop = {k * step}")
        time.sleep(0.4)
        lab.browser.screenshot(out / f"{name[:2]}_{k:02}.png")


def main() -> None:
    """Photograph the notebooks that were asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--theme", choices=("light", "dark"), default="light")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--afresh", action="store_true", help="each notebook measures for itself")
    parser.add_argument("--flag", action="append", default=[], help="a further flag for the browser")
    parser.add_argument("--again", action="store_true", help="save, open again without a kernel's widgets, photograph")
    parser.add_argument("--results", type=Path, help="folder in which the notebooks keep what they measure")
    parser.add_argument("books", nargs="*", help="numbers of notebooks; all where none is given")
    asked = parser.parse_args()
    names = sorted(path.stem for path in (ROOT / "notebooks").glob("*.ipynb"))
    with tempfile.TemporaryDirectory() as place:
        home, folder = Path(place, "home"), Path(place, "notebooks")
        home.mkdir()
        shutil.copytree(ROOT / "notebooks", folder)
        shutil.copytree(ROOT / "sample_slices", Path(place, "sample_slices"))
        if asked.results:
            shutil.copytree(asked.results, folder / "my_part", dirs_exist_ok=True)
        with running_lab(home, folder, theme=asked.theme, size=(1280, 1400), flags=tuple(asked.flag)) as lab:
            for name in (one for one in names if not asked.books or one[:2] in asked.books):
                if asked.afresh:
                    shutil.rmtree(folder / "my_part", ignore_errors=True)
                lab.open(name)
                lab.run_all(seconds=600)
                time.sleep(3)
                print(f"{name}: {lab.kernel_seconds():.1f} processor s", *lab.browser.js(_WIDE), sep="\n  ", flush=True)
                if asked.again:
                    lab.menu("File", "Save Notebook")
                    time.sleep(2)
                    lab.open(name)
                    time.sleep(2)
                photograph(lab, name, asked.out)
        if asked.results:
            shutil.copytree(folder / "my_part", asked.results, dirs_exist_ok=True)


if __name__ == "__main__":
    main()
