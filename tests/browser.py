"""Chromium as tests drive it: a phone with touch, over the DevTools protocol."""

from __future__ import annotations

import json
import shutil
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import websocket

PATIENCE = 30.0  # seconds; a busy machine answers late
_SWITCHES = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
    "--hide-scrollbars",
    "--remote-debugging-port=0",
)


class Browser:
    """One running Chromium."""

    def __init__(self, socket: websocket.WebSocket) -> None:
        self._socket, self._number = socket, 0
        self.front = ""
        self.events: list[dict[str, Any]] = []

    def call(self, method: str, session: str = "", **params: Any) -> dict[str, Any]:
        self._number += 1
        message = {"id": self._number, "method": method, "params": params}
        if session:
            message["sessionId"] = session
        self._socket.send(json.dumps(message))
        while True:
            answer = json.loads(self._socket.recv())
            if answer.get("id") == self._number:
                if "error" in answer:
                    raise RuntimeError(f"{method}: {answer['error']}")
                return answer["result"]
            self.events.append(answer)

    def page(self, **phone: Any) -> Page:
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        session = self.call("Target.attachToTarget", targetId=target, flatten=True)
        page = Page(self, session["sessionId"], target)
        page.look_like(**phone)
        return page


class Page:
    """One tab: a phone of 390 by 844 points unless told otherwise."""

    def __init__(self, browser: Browser, session: str, target: str) -> None:
        self._browser, self._session, self._target = browser, session, target
        for domain in ("Page", "Runtime", "Network", "Log"):
            self.call(f"{domain}.enable")

    def call(self, method: str, **params: Any) -> dict[str, Any]:
        if self._browser.front != self._session:  # a tab behind takes no touch
            self._browser.front = self._session
            self._browser.call("Page.bringToFront", self._session)
        return self._browser.call(method, self._session, **params)

    def look_like(
        self, width: int = 390, height: int = 844, *, dark: bool = False
    ) -> None:
        phone = width < 800
        self.call(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=2 if phone else 1,
            mobile=phone,
        )
        self.call("Emulation.setTouchEmulationEnabled", enabled=phone, maxTouchPoints=1)
        scheme = {
            "name": "prefers-color-scheme",
            "value": "dark" if dark else "light",
        }
        self.call("Emulation.setEmulatedMedia", features=[scheme])

    def open(self, path: Path) -> None:
        self.call("Page.navigate", url=path.as_uri())
        self._loaded()

    def reload(self) -> None:
        self.run("window.old = true")
        self.call("Page.reload")
        self._loaded()

    def _loaded(self) -> None:
        """Wait for the new page; while the old one goes, scripts fail to run."""
        new = "location.href != 'about:blank' && document.readyState == 'complete'"

        def there() -> bool:
            try:
                return bool(self.run(f"window.old !== true && {new}"))
            except RuntimeError:
                return False

        self.until(there, "the page is loaded")

    def run(self, script: str) -> Any:
        """Run a script in the page and return what it gives."""
        answer = self.call(
            "Runtime.evaluate", expression=script, awaitPromise=True, returnByValue=True
        )
        if "exceptionDetails" in answer:
            raise AssertionError(json.dumps(answer["exceptionDetails"])[:2000])
        return answer["result"].get("value")

    def wait(self, condition: str) -> None:
        self.until(lambda: self.run(condition), condition)

    def until(self, true: Callable[[], Any], what: str) -> None:
        end = time.monotonic() + PATIENCE
        while not true():
            assert time.monotonic() < end, f"never came true: {what}"
            time.sleep(0.02)

    def place(self, selector: str) -> dict[str, float]:
        """Box of an element in the window, scrolled to first if need be."""
        return self.run(
            f"(() => {{ const e = document.querySelector({json.dumps(selector)});"
            "let b = e.getBoundingClientRect();"
            "if (b.top < 0 || b.bottom > innerHeight) {"
            "e.scrollIntoView({block: 'center'}); b = e.getBoundingClientRect(); }"
            "const x = b.x + b.width / 2, y = b.y + b.height / 2;"
            "const top = document.elementFromPoint(x, y);"
            "const hit = e.contains(top) || (top && top.contains(e));"
            "return {x, y, width: b.width, height: b.height, hit}; })()"
        )

    def tap(self, selector: str) -> dict[str, float]:
        """Touch the middle of an element, which nothing may cover."""
        box = self.place(selector)
        assert box["hit"], f"{selector} is covered"
        point = {"x": box["x"], "y": box["y"]}
        # The browser answers before the page has been told of the tap.
        self.run(
            "window.tapped = false; document.addEventListener('click', "
            "() => { window.tapped = true }, { capture: true, once: true })"
        )
        self.call("Input.dispatchTouchEvent", type="touchStart", touchPoints=[point])
        self.call("Input.dispatchTouchEvent", type="touchEnd", touchPoints=[])
        self.wait("window.tapped")
        return box

    def type(self, text: str) -> None:
        self.call("Input.insertText", text=text)

    def key(self, key: str, code: str = "") -> None:
        sent = {"key": key, "code": code or key}
        if len(key) == 1:
            sent["text"] = key
        codes = {"Tab": 9, "Enter": 13, "ArrowRight": 39, "ArrowDown": 40, " ": 32}
        if key in codes:
            sent["windowsVirtualKeyCode"] = codes[key]
        if key == "Enter":
            sent["text"] = "\r"
        self.call("Input.dispatchKeyEvent", type="keyDown", **sent)
        self.call("Input.dispatchKeyEvent", type="keyUp", **sent)

    def text(self, selector: str) -> str:
        return self.run(f"document.querySelector({json.dumps(selector)}).innerText")

    def reads(self, selector: str, text: str) -> None:
        """Wait until an element shows this text."""
        found = f"document.querySelector({json.dumps(selector)}).innerText"
        self.wait(f"{found} === {json.dumps(text)}")

    def seen(self, selector: str) -> bool:
        found = f"document.querySelector({json.dumps(selector)})"
        return self.run(f"{found}.getClientRects().length > 0")

    def picture(self, path: Path) -> None:
        import base64

        data = self.call("Page.captureScreenshot", format="png")["data"]
        path.write_bytes(base64.b64decode(data))

    def trouble(self) -> list[str]:
        """Errors of scripts and of the page's own security rules, and requests out."""
        found = []
        for event in self._browser.events:
            if event.get("sessionId") != self._session:
                continue
            params = event["params"]
            if event["method"] == "Runtime.exceptionThrown":
                found.append(json.dumps(params["exceptionDetails"])[:500])
            if event["method"] == "Log.entryAdded":
                found.append(params["entry"]["text"])
            if event["method"] == "Network.requestWillBeSent":
                address = params["request"]["url"]
                if not address.startswith(("file:", "blob:", "data:")):
                    found.append(address)
        return found

    def close(self) -> None:
        self._browser.call("Target.closeTarget", targetId=self._target)


def downloaded(folder: Path, pattern: str) -> list[Path]:
    """Files that came down whole: their names are there before what they hold."""
    if list(folder.glob("*.crdownload")):
        return []
    return [path for path in folder.glob(pattern) if path.stat().st_size > 0]


@contextmanager
def chromium(
    profile: Path, downloads: Path | None = None, *, storage: bool = True
) -> Iterator[Browser]:
    """Run Chromium with a profile of its own; without storage if so wished."""
    if not storage:
        (profile / "Default").mkdir(parents=True, exist_ok=True)
        refused = {"profile": {"default_content_setting_values": {"cookies": 2}}}
        (profile / "Default" / "Preferences").write_text(json.dumps(refused))
    program = shutil.which("chromium")
    assert program is not None
    process = subprocess.Popen(
        [program, *_SWITCHES, f"--user-data-dir={profile}"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        browser = Browser(_connect(profile))
        if downloads is not None:
            browser.call(
                "Browser.setDownloadBehavior",
                behavior="allow",
                downloadPath=str(downloads),
            )
        yield browser
        browser._socket.close()
    finally:
        process.terminate()
        process.wait(timeout=PATIENCE)


def _connect(profile: Path) -> websocket.WebSocket:
    end = time.monotonic() + PATIENCE
    told = profile / "DevToolsActivePort"
    while not (told.is_file() and len(told.read_text().splitlines()) == 2):
        assert time.monotonic() < end, "Chromium did not start"
        time.sleep(0.05)
    port, path = told.read_text().splitlines()
    return websocket.create_connection(
        f"ws://127.0.0.1:{port}{path}", timeout=PATIENCE, suppress_origin=True
    )
