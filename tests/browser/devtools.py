"""A real Chromium on the end of a pipe: opens a page, listens, types, prints.

Speaks the DevTools protocol (JSON, each message ended by a zero byte) over the two file descriptors that
`--remote-debugging-pipe` reads and writes.  Standard library only: what is needed is a dozen messages.
"""

from __future__ import annotations

import base64
import itertools
import json
import os
import re
import select
import shutil
import subprocess
import sys
import time
from pathlib import Path

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
MISSING = "NO BROWSER: the pages were not opened in Chromium; install it with `apt-get install chromium`, then run tests/browser again"
FLAGS = ("--headless=new", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--no-first-run", "--disable-extensions", "--disable-background-networking",
         "--disable-component-update", "--disable-sync", "--disable-dev-shm-usage", "--remote-debugging-pipe")  # fmt: skip
A4, LETTER = (8.27, 11.69), (8.5, 11.0)
# the browser reads descriptor 3 and writes 4: a small program puts the pipes there and becomes the browser
BECOME = """
import fcntl, os, sys
read, write = (fcntl.fcntl(int(fd), fcntl.F_DUPFD, 10) for fd in sys.argv[1:3])
os.dup2(read, 3), os.dup2(write, 4)
os.execv(sys.argv[3], sys.argv[3:])
"""


class Browser:
    """One browser process with one page."""

    def __init__(self, profile: Path, *, patience: float = 60.0):
        theirs_in, ours_out = os.pipe()
        ours_in, theirs_out = os.pipe()
        words = [sys.executable, "-I", "-S", "-c", BECOME, str(theirs_in), str(theirs_out), CHROMIUM, *FLAGS, f"--user-data-dir={profile}", "about:blank"]
        self.process = subprocess.Popen(words, pass_fds=(theirs_in, theirs_out), stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        os.close(theirs_in)
        os.close(theirs_out)
        self._in, self._out, self._held, self._numbers = ours_in, ours_out, b"", itertools.count(1)
        self.patience, self.events, self._session = patience, [], None
        try:
            target = self.send("Target.createTarget", url="about:blank")["targetId"]
            self._session = self.send("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
            for domain in ("Page", "Runtime", "Log", "Network"):
                self.send(f"{domain}.enable")
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        """End the browser."""
        try:
            self._session, self.patience = None, 10.0
            self.send("Browser.close")
            self.process.wait(10)
        except (OSError, RuntimeError, subprocess.TimeoutExpired):
            self.process.kill()
            self.process.wait(10)
        os.close(self._in)
        os.close(self._out)

    def send(self, method: str, **params):
        """Give one order and return its result; events that come meanwhile are kept."""
        number = next(self._numbers)
        message = {"id": number, "method": method, "params": params} | ({"sessionId": self._session} if self._session else {})
        data = json.dumps(message).encode() + b"\0"
        while data:
            data = data[os.write(self._out, data) :]
        end = time.monotonic() + self.patience
        while True:
            found = self._receive(end)
            if found.get("id") == number:
                if "error" in found:
                    raise RuntimeError(f"{method}: {found['error']}")
                return found["result"]

    def _receive(self, end: float) -> dict:
        while b"\0" not in self._held:
            ready, _, _ = select.select([self._in], [], [], max(end - time.monotonic(), 0.0))
            got = os.read(self._in, 1 << 20) if ready else b""
            if not got:
                raise RuntimeError("the browser does not answer")
            self._held += got
        raw, _, self._held = self._held.partition(b"\0")
        found = json.loads(raw)
        if "method" in found:
            self.events.append(found)
        return found

    def open(self, path: Path) -> float:
        """Open a file, wait until it has loaded, and return the seconds that took."""
        self.events.clear()
        started = time.monotonic()
        self.send("Page.navigate", url=path.as_uri())
        end = started + self.patience
        while not any(e["method"] == "Page.loadEventFired" for e in self.events):
            self._receive(end)
        return time.monotonic() - started

    def run(self, script: str):
        """Return the value of an expression in the page (promises are waited for)."""
        found = self.send("Runtime.evaluate", expression=script, awaitPromise=True, returnByValue=True)
        if "exceptionDetails" in found:
            raise RuntimeError(json.dumps(found["exceptionDetails"])[:500])
        return found["result"].get("value")

    def complaints(self) -> list[str]:
        """Return errors and warnings of the console since the page was opened."""
        self.run("1")
        said = []
        for event in self.events:
            p = event["params"]
            if event["method"] == "Runtime.exceptionThrown":
                said.append(p["exceptionDetails"].get("exception", {}).get("description") or p["exceptionDetails"]["text"])
            elif event["method"] == "Runtime.consoleAPICalled" and p["type"] in ("error", "warning", "assert"):
                said.append(json.dumps(p["args"])[:300])
            elif event["method"] == "Log.entryAdded" and p["entry"]["level"] in ("error", "warning"):
                said.append(p["entry"]["text"])
        return said

    def requests(self) -> list[str]:
        """Return what the page asked for beside itself; what is inside it (`data:`, `blob:`) does not count."""
        self.run("1")
        asked = [e["params"]["request"]["url"] for e in self.events if e["method"] == "Network.requestWillBeSent" and e["params"]["type"] != "Document"]
        return [url for url in asked if not url.startswith(("data:", "blob:"))]

    def pages_printed(self, paper: tuple[float, float] = A4) -> int:
        """Print to PDF on this paper (inches) and return the number of pages."""
        found = self.send("Page.printToPDF", paperWidth=paper[0], paperHeight=paper[1], printBackground=True, preferCSSPageSize=False,
                          marginTop=0.4, marginBottom=0.4, marginLeft=0.4, marginRight=0.4)  # fmt: skip
        return len(re.findall(rb"/Type\s*/Page\b", base64.b64decode(found["data"])))

    def picture(self, *, width: int, height: int, media: str = "", grey: bool = False) -> bytes:
        """Return a PNG of the page as it looks on a screen or on paper."""
        self.as_media(media, width=width, height=height)
        if grey:
            self.run("document.documentElement.style.filter = 'grayscale(1)'")
        shot = base64.b64decode(self.send("Page.captureScreenshot", format="png", captureBeyondViewport=False)["data"])
        self.as_media("", width=1040, height=900)
        return shot

    def as_media(self, media: str, *, width: int, height: int) -> None:
        """Show the page as `print` or, with nothing, as on a screen, in a window of this size (CSS pixels)."""
        self.send("Emulation.setEmulatedMedia", media=media)
        self.send("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=False)
