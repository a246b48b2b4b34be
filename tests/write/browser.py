"""Headless Chromium over its debugging protocol: what a page logs, fetches, measures and prints."""

import base64
import json
import os
import shutil
import subprocess
import tempfile
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import websocket

FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--remote-debugging-port=0", "--remote-allow-origins=*",
)  # fmt: skip


class Browser:
    """One tab."""

    def __init__(self, socket: Any) -> None:
        self._socket = socket
        self._number = 0
        self.events: list[dict[str, Any]] = []

    def call(self, method: str, **params: Any) -> dict[str, Any]:
        """Call a method of the protocol and keep the events that come meanwhile."""
        self._number += 1
        self._socket.send(json.dumps({"id": self._number, "method": method, "params": params}))
        while True:
            message = json.loads(self._socket.recv())
            if message.get("id") == self._number:
                assert "error" not in message, message
                return dict(message["result"])
            self.events.append(message)

    def open(self, path: Path, width: int = 900, height: int = 1200) -> None:
        """Open a file and wait until it and all its pictures are there."""
        self.events.clear()
        self.call(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=False,
        )
        self.call("Page.navigate", url=path.as_uri())
        for _ in range(200):
            if self.value("document.readyState === 'complete' && location.protocol === 'file:'"):
                break
            time.sleep(0.05)
        self.value("Promise.all([...document.images].map(i => i.decode().catch(() => 0)))")

    def value(self, expression: str) -> Any:
        """Return the value of an expression in the page."""
        result = self.call(
            "Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True
        )
        assert "exceptionDetails" not in result, result
        return result["result"].get("value")

    def pdf(self) -> bytes:
        """Return the page printed at 100 % on the paper that it asks for."""
        printed = self.call("Page.printToPDF", preferCSSPageSize=True, printBackground=True)
        return base64.b64decode(printed["data"])

    @property
    def complaints(self) -> list[str]:
        """Everything that the page logged, threw or was refused since it was opened."""
        return [
            json.dumps(event["params"])
            for event in self.events
            if event.get("method")
            in ("Log.entryAdded", "Runtime.consoleAPICalled", "Runtime.exceptionThrown")
        ]

    @property
    def fetched(self) -> list[str]:
        """Every address that the page asked for, data addresses left out."""
        asked = [
            str(event["params"]["request"]["url"])
            for event in self.events
            if event.get("method") == "Network.requestWillBeSent"
        ]
        return [url for url in asked if not url.startswith("data:")]


@contextmanager
def chromium() -> Iterator[Browser]:
    """Start Chromium; skip the test where there is none, unless TRACER_NEEDS_CHROMIUM=1."""
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    if program is None:
        if os.environ.get("TRACER_NEEDS_CHROMIUM") == "1":
            pytest.fail("Chromium is not installed")
        pytest.skip("Chromium is not installed")
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as home:
        process = subprocess.Popen(
            [program, *FLAGS, f"--user-data-dir={home}", "about:blank"],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        try:
            socket = _connect(Path(home))
            browser = Browser(socket)
            for domain in ("Page", "Runtime", "Log", "Network"):
                browser.call(f"{domain}.enable")
            yield browser
            socket.close()
        finally:
            process.terminate()
            process.wait(timeout=20)


def _connect(home: Path) -> Any:
    port_file = home / "DevToolsActivePort"
    for _ in range(400):
        if port_file.exists() and port_file.read_text().count("\n"):
            break
        time.sleep(0.05)
    port = port_file.read_text().split("\n")[0]
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/json/list", timeout=20) as answer:
        pages = [target for target in json.load(answer) if target["type"] == "page"]
    return websocket.create_connection(pages[0]["webSocketDebuggerUrl"], timeout=60)
