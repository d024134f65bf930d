"""A real Chromium without a window, driven over its own debugging pipe (Chrome DevTools Protocol)."""

from __future__ import annotations

import base64
import json
import os
import select
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

PROGRAM = next((path for name in ("chromium", "chromium-browser") if (path := shutil.which(name))), None)
# Chromium reads commands from descriptor 3 and answers on 4.
_WIRE = (
    "import fcntl, os, sys; a, b = (fcntl.fcntl(int(n), fcntl.F_DUPFD, 10) for n in sys.argv[1:3]); "
    "os.dup2(a, 3); os.dup2(b, 4); "
    "os.execv(sys.argv[3], sys.argv[3:])"
)
_PATIENCE_S = 60.0
"""A browser that says nothing for so long hangs; no test asserts how long anything takes."""


class Browser:
    """One page. ``events`` holds what the browser told of without being asked."""

    def __init__(self, to: int, out: int) -> None:
        self._to, self._out = to, out
        self._read = b""
        self._number = 0
        self._session = ""
        self.events: list[dict[str, Any]] = []
        target = self.send("Target.createTarget", url="about:blank")["targetId"]
        self._session = self.send("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Network", "Runtime", "Log"):
            self.send(f"{domain}.enable")

    def send(self, method: str, **params: Any) -> dict[str, Any]:
        self._number += 1
        message: dict[str, Any] = {"id": self._number, "method": method, "params": params}
        if self._session:
            message["sessionId"] = self._session
        os.write(self._to, json.dumps(message).encode() + b"\0")
        while True:
            said = self._next()
            if said.get("id") == self._number:
                assert "error" not in said, (method, said["error"])
                return said["result"]
            self.events.append(said)

    def _next(self) -> dict[str, Any]:
        while b"\0" not in self._read:
            ready, _, _ = select.select([self._out], [], [], _PATIENCE_S)
            assert ready, "the browser says nothing"
            got = os.read(self._out, 1 << 20)
            assert got, "the browser is gone"
            self._read += got
        message, self._read = self._read.split(b"\0", 1)
        return json.loads(message)

    def open(self, file: Path, width: int, height: int, *, phone: bool = False) -> None:
        self.send("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=2 if phone else 1,
                  mobile=phone)  # fmt: skip
        self.send("Emulation.setTouchEmulationEnabled", enabled=phone)
        self.events.clear()
        self.send("Page.navigate", url=file.resolve().as_uri())
        until = time.monotonic() + _PATIENCE_S
        while self.ask("document.readyState") != "complete" or not self.ask("location.protocol === 'file:'"):
            assert time.monotonic() < until, "the page does not load"
        self.settle()

    def ask(self, expression: str) -> Any:
        """The value of an expression in the page."""
        said = self.send("Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in said, said["exceptionDetails"]
        return said["result"].get("value")

    def settle(self) -> None:
        """Wait until what was asked for is drawn."""
        self.ask("new Promise(done => requestAnimationFrame(() => requestAnimationFrame(() => done(1))))")

    def touch(self, kind: str, *fingers: tuple[float, float]) -> None:
        points = [{"x": x, "y": y, "id": i} for i, (x, y) in enumerate(fingers)]
        self.send("Input.dispatchTouchEvent", type=kind, touchPoints=points)

    def tap(self, x: float, y: float) -> None:
        self.touch("touchStart", (x, y))
        self.touch("touchEnd")
        self.settle()

    def mouse(self, kind: str, x: float, y: float, **more: Any) -> None:
        self.send("Input.dispatchMouseEvent", type=kind, x=x, y=y, **more)

    def click(self, x: float, y: float) -> None:
        for kind in ("mousePressed", "mouseReleased"):
            self.mouse(kind, x, y, button="left", clickCount=1)
        self.settle()

    def picture(self) -> bytes:
        """PNG of what is seen."""
        return base64.b64decode(self.send("Page.captureScreenshot", format="png")["data"])

    def printed(self) -> bytes:
        """PDF, as its print command makes it."""
        return base64.b64decode(self.send("Page.printToPDF", preferCSSPageSize=True, printBackground=True)["data"])

    def complaints(self) -> list[str]:
        """Errors of scripts, breaches of the page's policy, whatever the browser logs."""
        return [
            json.dumps(event["params"])
            for event in self.events
            if event.get("method") in {"Runtime.exceptionThrown", "Log.entryAdded", "Runtime.consoleAPICalled"}
        ]

    def asked_for(self) -> list[str]:
        """Every address that the page wanted to load."""
        return [
            event["params"]["request"]["url"]
            for event in self.events
            if event.get("method") == "Network.requestWillBeSent"
        ]


@contextmanager
def browser() -> Iterator[Browser]:
    """A browser with a profile of its own, ended with the context."""
    assert PROGRAM is not None
    there, to = os.pipe()
    out, back = os.pipe()

    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        options = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--no-first-run"]
        options += ["--disable-background-networking", "--remote-debugging-pipe", f"--user-data-dir={profile}"]
        process = subprocess.Popen(
            [sys.executable, "-c", _WIRE, str(there), str(back), PROGRAM, *options],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            pass_fds=(there, back),
        )
        os.close(there)
        os.close(back)
        try:
            yield Browser(to, out)
        finally:
            process.terminate()
            try:
                process.wait(20)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
            os.close(to)
            os.close(out)
