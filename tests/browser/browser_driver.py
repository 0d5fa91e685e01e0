"""A real browser under remote control: Chromium without a window, spoken to over its debugging socket.

The socket client is the one JupyterLab itself depends on, so that nothing is installed for these tests
but the browser.
"""

import base64
import json
import shutil
import subprocess
import time
from pathlib import Path
from types import TracebackType
from typing import Any

import websocket

NAMES = ("chromium", "chromium-browser", "google-chrome", "chrome")
_KEYS = {
    "Enter": (13, "\r"), "Tab": (9, ""), "ArrowLeft": (37, ""), "ArrowUp": (38, ""), "ArrowRight": (39, ""),
    "ArrowDown": (40, ""), "PageUp": (33, ""), "PageDown": (34, ""), "Home": (36, ""), "End": (35, ""),
    "Backspace": (8, ""), "Escape": (27, ""),
}  # fmt: skip


def find_browser() -> str | None:
    """Return the browser's path, or None where there is none."""
    return next((path for path in map(shutil.which, NAMES) if path), None)


class Browser:
    """One page of a browser of its own; `failed_shot` is where it is photographed when waiting was in vain."""

    failed_shot: Path | None = None
    _session: str | None
    _page: str

    def __init__(self, folder: Path, *, size: tuple[int, int] = (1280, 900), flags: tuple[str, ...] = ()) -> None:
        path = find_browser()
        assert path is not None
        folder.mkdir(parents=True, exist_ok=True)
        self._process = subprocess.Popen(
            [
                path, "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--no-first-run",
                "--remote-debugging-port=0", "--remote-allow-origins=*", f"--user-data-dir={folder}",
                f"--window-size={size[0]},{size[1]}", "--force-device-scale-factor=1", *flags, "about:blank",
            ],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        port_file = folder / "DevToolsActivePort"
        self._wait_for(lambda: port_file.exists() and len(port_file.read_text().splitlines()) == 2, 30)
        port, target = port_file.read_text().splitlines()
        self._count, self._session = 0, None
        self._socket = websocket.create_connection(f"ws://127.0.0.1:{port}{target}", timeout=30)
        self._size = size
        self._page = next(one for one in self._call("Target.getTargets")["targetInfos"] if one["type"] == "page")[
            "targetId"
        ]
        self._attach()

    def _attach(self) -> None:
        self._session = None
        self._session = self._call("Target.attachToTarget", targetId=self._page, flatten=True)["sessionId"]
        self._call("Page.enable")
        wide, tall = self._size
        self._call("Emulation.setDeviceMetricsOverride", width=wide, height=tall, deviceScaleFactor=1, mobile=False)

    def __enter__(self) -> "Browser":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """End the browser."""
        self._socket.close()
        self._process.terminate()
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()

    @staticmethod
    def _wait_for(ready: Any, seconds: float) -> None:
        end = time.monotonic() + seconds
        while not ready():
            if time.monotonic() > end:
                raise TimeoutError("the browser did not start")
            time.sleep(0.05)

    def _call(self, method: str, **params: Any) -> dict[str, Any]:
        self._count += 1
        message = {"id": self._count, "method": method, "params": params}
        if self._session is not None:
            message["sessionId"] = self._session
        self._socket.send(json.dumps(message))
        while True:
            answer = json.loads(self._socket.recv())
            if answer.get("id") == self._count:
                if "error" in answer:
                    raise RuntimeError(f"{method}: {answer['error']['message']}")
                result: dict[str, Any] = answer["result"]
                return result

    def open(self, address: str) -> None:
        """Show an address on a new page and close the old one, which may hold unsaved work, without being asked."""
        old, self._session = self._page, None
        self._page = self._call("Target.createTarget", url="about:blank")["targetId"]
        self._call("Target.closeTarget", targetId=old)
        self._attach()
        self._call("Page.navigate", url=address)

    def js(self, code: str) -> Any:
        """Evaluate JavaScript and return its value."""
        answer = self._call("Runtime.evaluate", expression=code, returnByValue=True, awaitPromise=True)
        if "exceptionDetails" in answer:
            raise RuntimeError(answer["exceptionDetails"].get("exception", {}).get("description", code))
        return answer["result"].get("value")

    def wait(self, code: str, *, seconds: float = 30, what: str = "") -> Any:
        """Wait until JavaScript gives something that is true, and return it."""
        end = time.monotonic() + seconds
        while True:
            value = self.js(code)
            if value:
                return value
            if time.monotonic() > end:
                if self.failed_shot is not None:
                    self.screenshot(self.failed_shot)
                raise TimeoutError(f"waited {seconds:g} s for {what or code}")
            time.sleep(0.1)

    def middle(self, element: str, *, at: tuple[float, float] = (0.5, 0.5)) -> tuple[float, float]:
        """Scroll the element (a JavaScript expression) into view and return a point of it on the screen, once it rests.

        Pictures that are still coming push what stands below them down: what is pressed then is something else.
        """
        self.js(f"(({element}) || {{scrollIntoView(){{}}}}).scrollIntoView({{block: 'center'}})")
        look = f"(() => {{const b = ({element}).getBoundingClientRect(); return [b.x, b.y, b.width, b.height]}})()"
        box, since, end = self.js(look), time.monotonic(), time.monotonic() + 20
        while time.monotonic() - since < 0.3:
            assert time.monotonic() < end, f"{element} does not come to rest"
            time.sleep(0.1)
            before, box = box, self.js(look)
            since = since if box == before else time.monotonic()
        return box[0] + at[0] * box[2], box[1] + at[1] * box[3]

    def _mouse(self, kind: str, x: float, y: float, *, down: bool = False) -> None:
        more = {"button": "left", "clickCount": 1} if kind != "mouseMoved" else {"buttons": int(down)}
        if kind == "mouseMoved" and down:
            more["button"] = "left"  # type: ignore[assignment]
        self._call("Input.dispatchMouseEvent", type=kind, x=x, y=y, **more)

    def move(self, x: float, y: float) -> None:
        """Move the mouse."""
        self._mouse("mouseMoved", x, y)

    def click(self, x: float, y: float) -> None:
        """Move there and click."""
        self._mouse("mouseMoved", x, y)
        self._mouse("mousePressed", x, y)
        self._mouse("mouseReleased", x, y)

    def click_on(self, element: str, *, at: tuple[float, float] = (0.5, 0.5)) -> None:
        """Click an element given as a JavaScript expression."""
        self.wait(f"Boolean({element})", what=element)
        self.click(*self.middle(element, at=at))

    def drag(self, start: tuple[float, float], end: tuple[float, float], *, steps: int = 10) -> None:
        """Press, move in steps and let go."""
        self._mouse("mouseMoved", *start)
        self._mouse("mousePressed", *start)
        for k in range(1, steps + 1):
            x, y = (a + (b - a) * k / steps for a, b in zip(start, end, strict=True))
            self._mouse("mouseMoved", x, y, down=True)
            time.sleep(0.02)
        self._mouse("mouseReleased", *end)

    def wheel(self, x: float, y: float, down: float, *, ctrl: bool = False) -> None:
        """Turn the wheel at a place; `down` in pixels, a notch is about 120."""
        self._call(
            "Input.dispatchMouseEvent", type="mouseWheel", x=x, y=y, deltaX=0, deltaY=down, modifiers=2 if ctrl else 0
        )

    def key(self, name: str) -> None:
        """Press and release one key."""
        code, text = _KEYS[name] if name in _KEYS else (ord(name.upper()), name)
        common = {"key": name, "code": name, "windowsVirtualKeyCode": code}
        self._call("Input.dispatchKeyEvent", type="keyDown", text=text, **common)
        self._call("Input.dispatchKeyEvent", type="keyUp", **common)

    def type(self, text: str) -> None:
        """Type text into what has the focus."""
        self._call("Input.insertText", text=text)

    def screenshot(self, path: Path) -> None:
        """Save what is on the screen as PNG."""
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(base64.b64decode(self._call("Page.captureScreenshot", format="png")["data"]))
