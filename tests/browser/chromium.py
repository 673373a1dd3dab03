"""Debian's chromium, driven over its own protocol (Chrome DevTools), without a library between."""

from __future__ import annotations

import base64
import itertools
import json
import shutil
import subprocess
import time
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from websockets.sync.client import ClientConnection, connect

PHONE = (390, 844)
DESK = (1280, 900)


class Chromium:
    """One browser with one tab. ``said``: what its console and its page complained of; ``asked``: every
    address it tried to load."""

    def __init__(self, folder: Path) -> None:
        chromium = shutil.which("chromium")
        assert chromium, "install Debian's chromium: sudo apt install chromium"
        folder.mkdir(parents=True, exist_ok=True)
        self.said: list[str] = []
        self.asked: list[str] = []
        self.downloads = folder / "downloads"
        self.downloads.mkdir()
        self._numbers = itertools.count(1)
        self._process = subprocess.Popen(
            [chromium, "--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage",
             "--disable-background-networking", "--disable-component-update", "--no-first-run",
             f"--user-data-dir={folder / 'profile'}", "--remote-debugging-port=0", "about:blank"],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        try:
            self._line = self._connect(folder / "profile" / "DevToolsActivePort")
            targets = self._ask("Target.getTargets")["targetInfos"]
            target = next(each["targetId"] for each in targets if each["type"] == "page")
            self._session: str | None = None
            self._session = self._ask("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
            for domain in ("Page", "Runtime", "Log", "Network"):
                self._ask(f"{domain}.enable")
            self._ask("Browser.setDownloadBehavior", behavior="allow", downloadPath=str(self.downloads))
        except BaseException:
            self._process.kill()
            self._process.wait()
            raise

    def _connect(self, file: Path) -> ClientConnection:
        deadline = time.monotonic() + 60.0
        while not (file.exists() and len(lines := file.read_text().splitlines()) == 2):
            assert self._process.poll() is None, "chromium ended at once"
            assert time.monotonic() < deadline, "chromium did not start"
            time.sleep(0.05)
        self._session = None
        return connect(f"ws://127.0.0.1:{lines[0]}{lines[1]}", max_size=None)

    def _ask(self, method: str, **parameters: Any) -> dict[str, Any]:
        number = next(self._numbers)
        message: dict[str, Any] = {"id": number, "method": method, "params": parameters}
        if self._session is not None and not method.startswith(("Target.", "Browser.")):
            message["sessionId"] = self._session
        self._line.send(json.dumps(message))
        while True:
            heard = json.loads(self._line.recv(timeout=60.0))
            if heard.get("id") == number:
                assert "error" not in heard, (method, heard["error"])
                result: dict[str, Any] = heard["result"]
                return result
            self._note(heard)

    def _note(self, heard: dict[str, Any]) -> None:
        method, what = heard.get("method", ""), heard.get("params", {})
        if method == "Runtime.consoleAPICalled" and what["type"] in ("error", "warning", "assert"):
            self.said.append(str([each.get("value", each.get("description")) for each in what["args"]]))
        elif method == "Runtime.exceptionThrown":
            self.said.append(str(what["exceptionDetails"].get("exception", what["exceptionDetails"])))
        elif method == "Log.entryAdded" and what["entry"]["level"] in ("error", "warning"):
            self.said.append(f"{what['entry']['text']} ({what['entry'].get('url')})")
        elif method == "Network.requestWillBeSent":
            self.asked.append(what["request"]["url"])

    def screen(self, size: tuple[int, int], *, dark: bool = False, scripts: bool = True) -> None:
        """What the page is shown on from now on."""
        width, height = size
        self._ask(
            "Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1,
            mobile=width < 600,
        )  # fmt: skip
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self._ask("Emulation.setEmulatedMedia", features=[scheme])
        self._ask("Emulation.setScriptExecutionDisabled", value=not scripts)

    def open(self, address: str) -> None:
        """Load a page, to the end of its own loading."""
        self._ask("Page.navigate", url=address)
        deadline = time.monotonic() + 30.0
        while True:
            tree = self._ask("Page.getFrameTree")["frameTree"]["frame"]
            if (
                tree["url"].startswith(address.partition("#")[0])
                and self.run("document.readyState") == "complete"
            ):
                return
            assert time.monotonic() < deadline, f"{address} did not load"
            time.sleep(0.05)

    def run(self, script: str) -> Any:
        """The value of a script, awaited, in the page."""
        result = self._ask(
            "Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True, userGesture=True
        )
        assert "exceptionDetails" not in result, (script, result["exceptionDetails"])
        return result["result"].get("value")

    def until(self, script: str, within_s: float = 30.0) -> Any:
        """The value of a script once it is true."""
        deadline = time.monotonic() + within_s
        while not (value := self.run(script)):
            assert time.monotonic() < deadline, f"still waiting for: {script}"
            time.sleep(0.05)
        return value

    def hover(self, x: float, y: float) -> None:
        """Move the pointer there."""
        self._ask("Input.dispatchMouseEvent", type="mouseMoved", x=x, y=y)

    def press(self, key: str) -> None:
        """Press and let go a key: ``Tab``, ``Enter`` or ``Space``."""
        code, text = {"Tab": (9, ""), "Enter": (13, "\r"), "Space": (32, " ")}[key]
        for kind in ("keyDown" if text else "rawKeyDown", "keyUp"):
            self._ask(
                "Input.dispatchKeyEvent", type=kind, key=text if key == "Space" else key, code=key,
                windowsVirtualKeyCode=code, **({"text": text} if kind == "keyDown" else {}),
            )  # fmt: skip

    def write(self, text: str) -> None:
        """Type into what has the focus."""
        self._ask("Input.insertText", text=text)

    def picture(self, file: Path, whole: bool = True) -> None:
        """Save what is seen as PNG."""
        shot = self._ask("Page.captureScreenshot", format="png", captureBeyondViewport=whole)
        file.write_bytes(base64.b64decode(shot["data"]))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._line.close()
        self._process.terminate()
        try:
            self._process.wait(10.0)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
