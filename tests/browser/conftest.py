"""A JupyterLab server and a browser, shared by the tests here, and small stacks made from the samples."""

import json
import os
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import psutil
import pytest
import tifffile

import ctrecon

sys.path.insert(0, str(Path(__file__).parent))

from browser_driver import Browser, find_browser

ROOT = Path(ctrecon.__file__).parents[1]
SHOTS = Path(os.environ.get("CTRECON_SHOTS", ""))
_SETTINGS = {
    "@jupyterlab/notebook-extension/tracker": {"windowingMode": "none"},
    "@jupyterlab/apputils-extension/notification": {"fetchNews": "false", "checkForUpdates": False},
}
_CELLS = "[...document.querySelectorAll('.jp-Notebook .jp-CodeCell')]"


class Lab:
    """What a person does in JupyterLab: open, run, read, click, drag, type."""

    def __init__(self, browser: Browser, address: str, folder: Path) -> None:
        self.browser, self.address, self.folder = browser, address, folder

    def write(self, name: str, *, change: dict[str, str] | None = None, cells: list[str] | None = None) -> Path:
        """Put a notebook into the server's folder: one of ours with lines of its parameters changed, or new cells."""
        if cells is None:
            book = json.loads((ROOT / "notebooks" / f"{name}.ipynb").read_text(encoding="utf-8"))
            top = next(one for one in book["cells"] if "parameters" in one["metadata"].get("tags", []))
            values = dict(line.split(" = ", 1) for line in "".join(top["source"]).splitlines())
            values |= change or {}
            top["source"] = "\n".join(f"{key} = {value}" for key, value in values.items())
        else:
            code = [
                {"cell_type": "code", "id": f"c{k}", "metadata": {}, "outputs": [], "execution_count": None, "source": one}
                for k, one in enumerate(cells)
            ]
            kernel = {"display_name": "Python 3 (ipykernel)", "language": "python", "name": "python3"}
            book = {"cells": code, "metadata": {"kernelspec": kernel}, "nbformat": 4, "nbformat_minor": 5}
        path = self.folder / f"{name}.ipynb"
        path.write_text(json.dumps(book), encoding="utf-8")
        return path

    def open(self, name: str) -> None:
        """Open a notebook on a page of its own, with a new kernel; older kernels are ended."""
        for one in json.loads(self._ask("/api/sessions")):
            self._ask(f"/api/sessions/{one['id']}", "DELETE")
        self.browser.open(f"{self.address}/lab/tree/{name}.ipynb?reset")
        self.browser.wait(f"{_CELLS}.length > 0", seconds=60, what="the notebook's cells")
        end = time.monotonic() + 60
        while not any(
            one["kernel"]["execution_state"] == "idle" and one["kernel"]["connections"] > 0
            for one in json.loads(self._ask("/api/sessions"))
        ):
            assert time.monotonic() < end, "no kernel came up within a minute"
            time.sleep(0.2)
        self.browser.wait("document.querySelector('.jp-Notebook-ExecutionIndicator').dataset.status === 'idle'")

    def kernel_seconds(self) -> float:
        """Return the processor time the kernel and what it started have taken, s."""
        kernel = next(one["kernel"]["id"] for one in json.loads(self._ask("/api/sessions")))
        found = next(
            one for one in psutil.Process().children(recursive=True) if any(kernel in part for part in one.cmdline())
        )
        times = found.cpu_times()
        return float(times.user + times.system + times.children_user + times.children_system)

    def _ask(self, path: str, method: str = "GET") -> bytes:
        asked = urllib.request.Request(self.address + path, method=method)  # noqa: S310
        with urllib.request.urlopen(asked, timeout=20) as answer:  # noqa: S310
            found: bytes = answer.read()
        return found

    def menu(self, name: str, item: str) -> None:
        """Choose from the menu bar."""
        find = "[...document.querySelectorAll({0})].find(e => e.innerText.trim() === {1})"
        bar = find.format("'.lm-MenuBar-itemLabel'", json.dumps(name))
        entry = find.format("'.lm-Menu-itemLabel'", json.dumps(item))
        self.browser.click_on(bar)
        self.browser.wait(f"Boolean({entry})", what=f"the menu entry {item}")
        self.browser.click(*self.browser.middle(entry))

    def run_all(self, *, seconds: float = 120) -> None:
        """Run all cells by the menu and wait until the last one is done, or one has failed."""
        self.menu("Run", "Run All Cells")
        done = f"/\\[\\d+\\]/.test({_CELLS}.pop().querySelector('.jp-InputPrompt').innerText)"
        failed = "document.querySelector('[data-mime-type=\"application/vnd.jupyter.stderr\"] pre, .jp-RenderedText[data-mime-type$=error]')"
        self.browser.wait(f"{done} || Boolean({failed})", seconds=seconds, what="the last cell")

    def text(self, where: str = ".jp-Notebook") -> str:
        """Return what can be read at a place."""
        value: str = self.browser.js(f"(document.querySelector({json.dumps(where)}) || {{innerText: ''}}).innerText")
        return value

    def wait_text(self, text: str, where: str = ".jp-Notebook", *, seconds: float = 30) -> None:
        """Wait until a text can be read at a place."""
        where_js, text_js = json.dumps(where), json.dumps(text)
        self.browser.wait(
            f"(document.querySelector({where_js}) || {{innerText: ''}}).innerText.includes({text_js})",
            seconds=seconds, what=f"the text '{text}' in {where}",
        )  # fmt: skip

    def button(self, panel: str, text: str) -> None:
        """Click a button of a panel by what stands on it."""
        self.browser.click_on(
            f"[...document.querySelectorAll('{panel} button')].find(e => e.innerText.trim() === {json.dumps(text)})"
        )

    def choose(self, panel: str, label: str, option: str) -> None:
        """Choose from a labelled list, with the keyboard: focus, then type its beginning."""
        found = (
            f"[...document.querySelectorAll('{panel} .widget-dropdown')]"
            f".find(e => e.querySelector('.widget-label').innerText === {json.dumps(label)}).querySelector('select')"
        )
        self.browser.middle(found)
        self.browser.js(f"{found}.focus()")
        wanted = self.browser.js(f"[...{found}.options].findIndex(o => o.text.startsWith({json.dumps(option)}))")
        assert wanted >= 0
        self.browser.key("Home")
        for _ in range(wanted):
            self.browser.key("ArrowDown")

    def field(self, panel: str, label: str, text: str) -> None:
        """Click into a labelled field, type over what stands there, and leave it by Tab."""
        found = (
            f"[...document.querySelectorAll('{panel} .widget-text')]"
            f".find(e => e.querySelector('.widget-label').innerText === {json.dumps(label)}).querySelector('input')"
        )
        self.browser.click_on(found)
        self.browser.js(f"{found}.select()")  # what is typed replaces what stood there
        self.browser.type(text)
        self.browser.key("Tab")

    def slice_shown(self, panel: str) -> int:
        """Return the number of the slice that is painted on a panel's picture."""
        return int(self.browser.js(f"document.querySelector('{panel} canvas').dataset.slice || -1"))

    def shot(self, name: str, *, at: str | None = None) -> None:
        """Save a screenshot where somebody asked for them (CTRECON_SHOTS)."""
        if at is not None:
            self.browser.js(f"document.querySelector({json.dumps(at)}).scrollIntoView({{block: 'start'}})")
            time.sleep(0.4)
        if str(SHOTS) != ".":
            self.browser.screenshot(SHOTS / f"{name}.png")


def _free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


def _write_settings(folder: Path, **more: dict[str, Any]) -> None:
    for name, values in (_SETTINGS | more).items():
        path = folder / f"{name}.jupyterlab-settings"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps(values))


@contextmanager
def running_lab(
    home: Path, folder: Path, *, theme: str = "light", size: tuple[int, int] = (1280, 900), flags: tuple[str, ...] = ()
) -> Iterator[Lab]:
    """Run JupyterLab on a folder of notebooks, and a browser with further flags; `home` holds what both keep."""
    settings = home / "settings"
    _write_settings(
        settings, **{"@jupyterlab/apputils-extension/themes": {"theme": f"JupyterLab {theme.capitalize()}"}}
    )
    port = _free_port()
    environment = {
        **os.environ, "HOME": str(home), "JUPYTERLAB_SETTINGS_DIR": str(settings), "MPLCONFIGDIR": str(home / "mpl"),
        "JUPYTER_RUNTIME_DIR": str(home / "run"), "JUPYTER_CONFIG_DIR": str(home / "config"), "PYTHONPATH": str(ROOT),
        "JUPYTER_DATA_DIR": str(home / "data"), "IPYTHONDIR": str(home / "ipython"),
    }  # fmt: skip
    for name in ("MPLBACKEND", "OPENBLAS_NUM_THREADS"):  # the library needs neither
        environment.pop(name, None)
    log = (home / "server.log").open("w")
    server = subprocess.Popen(
        [
            sys.executable, "-m", "jupyterlab", "--no-browser", "--ip=127.0.0.1", f"--port={port}", "--allow-root",
            "--IdentityProvider.token=", "--ServerApp.disable_check_xsrf=True", f"--ServerApp.root_dir={folder}",
        ],
        cwd=folder, env=environment, stdout=log, stderr=log,
    )  # fmt: skip
    address = f"http://127.0.0.1:{port}"
    try:
        end = time.monotonic() + 60
        while True:
            try:
                urllib.request.urlopen(f"{address}/api/status", timeout=5).read()  # noqa: S310
                break
            except OSError:
                assert server.poll() is None, (home / "server.log").read_text()[-2000:]
                assert time.monotonic() < end, "JupyterLab did not answer within a minute"
                time.sleep(0.2)
        with Browser(home / "browser", size=size, flags=flags) as browser:
            browser.failed_shot = SHOTS / "failed.png" if str(SHOTS) != "." else None
            yield Lab(browser, address, folder)
    finally:
        server.terminate()
        try:
            server.wait(15)
        except subprocess.TimeoutExpired:
            server.kill()
            server.wait()
        log.close()


@pytest.fixture(scope="session")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Lab]:
    """Lend JupyterLab in a browser; skipped, with the reason, where there is none."""
    if find_browser() is None:
        pytest.skip("no Chromium here (apt-get install chromium)")
    with running_lab(tmp_path_factory.mktemp("home"), tmp_path_factory.mktemp("notebooks")) as one:
        yield one


@pytest.fixture(scope="session")
def small(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Path]:
    """Make a sample of half the size each way: voxels of twice the edge, each the mean of eight, the truth beside."""
    folder = tmp_path_factory.mktemp("stacks")

    def make(name: str) -> Path:
        out = folder / name
        if out.exists():
            return out
        out.mkdir()
        stack = ctrecon.open_stack(ROOT / "sample_slices" / name)
        assert stack.voxel_mm is not None
        slices, rows, columns = (count // 2 for count in stack.shape)
        volume = np.stack([stack.plane(k) for k in range(2 * slices)])[:, : 2 * rows, : 2 * columns].astype(float)
        mean = volume.reshape(slices, 2, rows, 2, columns, 2).mean(axis=(1, 3, 5))
        edges = ", ".join(f"{2 * edge:.6g}" for edge in stack.voxel_mm)
        for k, plane in enumerate(mean.round().astype(np.uint16), start=1):
            tifffile.imwrite(
                out / f"s{k:04d}.tif", plane, description=f'{{"voxel_mm": [{edges}]}}', metadata=None
            )
        (out / "truth.json").write_bytes((ROOT / "sample_slices" / name / "truth.json").read_bytes())
        return out

    return make
