"""A headless browser driven over its DevTools pipe, no network port: enough to open a page and look at it."""

from __future__ import annotations

import base64
import contextlib
import json
import os
import select
import shutil
import subprocess
import sys
import time

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")
FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--hide-scrollbars", "--host-resolver-rules=MAP * ~NOTFOUND", "--remote-debugging-pipe",
)  # fmt: skip
SOFT_WEBGL = ("--use-gl=angle", "--use-angle=swiftshader", "--enable-unsafe-swiftshader")
NO_WEBGL = ("--disable-3d-apis",)

# The browser reads from descriptor 3 and writes to 4, wherever the pipes stood before.
_LAUNCH = """
import fcntl, os, sys
read, write = (fcntl.fcntl(int(n), fcntl.F_DUPFD, 64) for n in sys.argv[1:3])
os.dup2(read, 3)
os.dup2(write, 4)
os.execvp(sys.argv[3], sys.argv[3:])
"""


class Page:
    """One tab. ``messages`` collects console output and uncaught errors, ``requests`` all URLs."""

    def __init__(self, process, write, read) -> None:
        self._process, self._write, self._read = process, write, read
        self._buffer, self._next, self._session = b"", 0, None
        self.messages: list[str] = []
        self.requests: list[str] = []

    def send(self, method: str, timeout: float = 60.0, **params):
        self._next += 1
        call = {"id": self._next, "method": method, "params": params}
        if self._session:
            call["sessionId"] = self._session
        os.write(self._write, json.dumps(call).encode() + b"\0")
        wanted = self._next
        end = time.monotonic() + timeout
        while True:
            told = self._receive(end, method)
            if told.get("id") == wanted:
                assert "error" not in told, told
                return told["result"]
            self._note(told)

    def _receive(self, end: float, what: str):
        while b"\0" not in self._buffer:
            ready, _, _ = select.select([self._read], [], [], max(end - time.monotonic(), 0.0))
            assert ready, f"the browser did not answer {what} in time"
            chunk = os.read(self._read, 1 << 20)
            assert chunk, f"the browser went away during {what}"
            self._buffer += chunk
        raw, self._buffer = self._buffer.split(b"\0", 1)
        return json.loads(raw)

    def _note(self, told) -> None:
        params = told.get("params", {})
        if told.get("method") == "Runtime.consoleAPICalled":
            text = " ".join(str(a.get("value", a.get("description"))) for a in params["args"])
            self.messages.append(f"{params['type']}: {text}")
        elif told.get("method") == "Runtime.exceptionThrown":
            self.messages.append("exception: " + json.dumps(params["exceptionDetails"])[:500])
        elif told.get("method") == "Log.entryAdded":
            self.messages.append(f"{params['entry']['level']}: {params['entry']['text']}")
        elif told.get("method") == "Network.requestWillBeSent":
            self.requests.append(params["request"]["url"])

    def open(self, url: str, width: int = 1240, height: int = 900) -> None:
        target = self.send("Target.createTarget", url="about:blank")["targetId"]
        self._session = self.send("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.send(f"{domain}.enable")
        self.size(width, height)
        self.send("Page.navigate", url=url)

    def size(self, width: int, height: int) -> None:
        self.send(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=False,
        )

    def run(self, expression: str):
        told = self.send("Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in told, told
        return told["result"].get("value")

    def wait(self, expression: str, seconds: float = 90.0):
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            found = self.run(f"document.documentElement && ({expression})")
            if found:
                return found
            time.sleep(0.1)
        raise AssertionError(f"never true: {expression}; messages: {self.messages}")

    def screenshot(self, clip=None) -> bytes:
        more = {} if clip is None else {"clip": {**clip, "scale": 1}, "captureBeyondViewport": True}
        return base64.b64decode(self.send("Page.captureScreenshot", format="png", **more)["data"])

    def pdf(self) -> bytes:
        told = self.send("Page.printToPDF", preferCSSPageSize=True, printBackground=True)
        return base64.b64decode(told["data"])


@contextlib.contextmanager
def browser(folder, *flags: str):
    """A browser with a profile in ``folder``; ends when the block ends."""
    our_read, its_write = os.pipe()
    its_read, our_write = os.pipe()
    command = [BROWSER, *FLAGS, *flags, f"--user-data-dir={folder}", "about:blank"]
    launcher = [sys.executable, "-c", _LAUNCH, str(its_read), str(its_write), *command]
    process = subprocess.Popen(
        launcher, pass_fds=(its_read, its_write), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    os.close(its_read)
    os.close(its_write)
    try:
        yield Page(process, our_write, our_read)
    finally:
        os.close(our_write)
        try:
            process.wait(timeout=10)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        os.close(our_read)
