"""A Chromium without a window, driven over a pair of pipes by its own protocol: no driver, no other package.

child's 3 ◄── {"id": 1, "method": "Page.navigate", "params": {…}, "sessionId": "…"}\\0       (Chrome DevTools Protocol)
child's 4 ──► {"id": 1, "result": {…}}\\0    and events: {"method": "Page.loadEventFired", …}\\0
"""

import base64
import contextlib
import itertools
import json
import os
import queue
import shutil
import subprocess
import threading
import time
from pathlib import Path

AXE = Path(__file__).parents[3] / ".tools" / "node_modules" / "axe-core" / "axe.min.js"
PROGRAM = shutil.which("chromium") or shutil.which("chromium-browser")
_PATIENCE_S = 30.0
CONTRAST = """
(where) => {
  const light = ([r, g, b]) => [r, g, b].map(v => v / 255).map(v => v <= .04045 ? v / 12.92 : ((v + .055) / 1.055) ** 2.4)
    .reduce((sum, v, n) => sum + v * [.2126, .7152, .0722][n], 0);
  const numbers = text => text.match(/[\\d.]+/g).map(Number);
  return [...document.querySelectorAll(where)].filter(e => e.offsetParent).map(e => {
    let back = e;
    while (back && numbers(getComputedStyle(back).backgroundColor)[3] === 0) back = back.parentElement;
    const [one, other] = [getComputedStyle(e).color, back ? getComputedStyle(back).backgroundColor : 'rgb(255, 255, 255)']
      .map(numbers).map(light).sort((a, b) => b - a);
    return (one + .05) / (other + .05);
  });
}
"""
"""WCAG 2.2's contrast ratio, by its own formula."""
TARGETS = """
[...document.querySelectorAll('a, button, input:not([type=hidden]), select, summary')].map(e => {
  const label = e.labels && e.labels[0], b = e.getBoundingClientRect(), l = label ? label.getBoundingClientRect() : b;
  const wide = Math.max(b.right, l.right) - Math.min(b.left, l.left), tall = Math.max(b.height, l.height);
  return [e.outerHTML.slice(0, 90), wide, tall, b.width && b.right > 0];
}).filter(([, , , seen]) => seen).map(([what, wide, tall]) => [what, wide, tall])
"""
_OPTIONS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-dev-shm-usage",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--no-first-run",
    "--hide-scrollbars",
    "--autoplay-policy=user-gesture-required",
    "--disable-background-timer-throttling",  # a phone in a hand is not in the background
    "--disable-renderer-backgrounding",
    "--disable-backgrounding-occluded-windows",
    "--remote-debugging-pipe",
)


class Chromium:
    """The browser's process; `phone` opens a window of its own, with its own cookies."""

    def __init__(self, folder):
        to_child, self._to = os.pipe()
        self._from, from_child = os.pipe()
        command = f'exec "{PROGRAM}" {" ".join(_OPTIONS)} --user-data-dir="{folder}" about:blank 3<&{to_child} 4>&{from_child}'
        self.process = subprocess.Popen(
            ["bash", "-c", command],
            pass_fds=(to_child, from_child),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(to_child)
        os.close(from_child)
        self._ids = itertools.count(1)
        self._answers, self._windows = {}, {}
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def ask(self, method, session=None, **params):
        """What the browser answers."""
        number = next(self._ids)
        self._answers[number] = answer = queue.Queue()
        said = {"id": number, "method": method, "params": params} | ({"sessionId": session} if session else {})
        os.write(self._to, json.dumps(said).encode() + b"\0")
        found = answer.get(timeout=_PATIENCE_S)
        del self._answers[number]
        assert "error" not in found, f"{method}: {found['error']}"
        return found["result"]

    def phone(self, width=320, height=640, *, dark=False, script=True):
        """A new window in a context of its own."""
        context = self.ask("Target.createBrowserContext")["browserContextId"]
        target = self.ask("Target.createTarget", url="about:blank", browserContextId=context)["targetId"]
        session = self.ask("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        events = self._windows[session] = queue.Queue()
        return Phone(self, session, target, events, width, height, dark, script)

    def _read(self):
        rest = b""
        with contextlib.suppress(OSError):
            while data := os.read(self._from, 1 << 16):
                *messages, rest = (rest + data).split(b"\0")
                for message in map(json.loads, messages):
                    if "id" in message:
                        self._answers[message["id"]].put(message)
                    elif message.get("sessionId") in self._windows:
                        self._windows[message["sessionId"]].put(message)

    def close(self):
        with contextlib.suppress(AssertionError, queue.Empty, OSError):
            self.ask("Browser.close")
        self.process.wait(20)
        self._reader.join(10)
        os.close(self._to)
        os.close(self._from)


class Phone:
    """One window. `complaints` are what the browser's console says of the page."""

    def __init__(self, chromium, session, target, events, width, height, dark, script):
        self._chromium, self._session, self._target, self._events = chromium, session, target, events
        self.complaints = []
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.ask(f"{domain}.enable")
        if not script:
            self.ask("Emulation.setScriptExecutionDisabled", value=True)
        self.look(width, height, dark)

    def ask(self, method, **params):
        return self._chromium.ask(method, self._session, **params)

    def close(self):
        """Put the phone away: an address has twelve connections, and each phone holds one."""
        self._chromium.ask("Target.closeTarget", targetId=self._target)

    def look(self, width, height=640, dark=False):
        """So wide, light or dark."""
        self.width = width
        self.ask("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=width < 600)
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.ask("Emulation.setEmulatedMedia", features=[scheme])

    def go(self, address):
        """Open the address, and wait until it is there."""
        self._drain()
        self.ask("Page.navigate", url=address)
        self._loaded()
        self.until("document.readyState === 'complete'")  # the event may have been of the page before

    def js(self, expression):
        """What the expression gives; promises are waited for."""
        done = self.ask("Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in done, done["exceptionDetails"]
        return done["result"].get("value")

    def until(self, expression, timeout_s=_PATIENCE_S):
        """Wait until the expression is true; gives its value."""
        deadline = time.monotonic() + timeout_s
        while not (value := self.js(expression)):
            assert time.monotonic() < deadline, f"never: {expression}; {self.text()[:300]}"
            time.sleep(0.02)
        return value

    def text(self, where="body"):
        """The words that are seen there, a no-break space as any other; None where there is no such element."""
        return self.js(f"document.querySelector({json.dumps(where)})?.innerText.replaceAll('\\u00a0', ' ')")

    def shows(self, where):
        """True if there is such an element, and it takes room on the screen."""
        found = f"document.querySelector({json.dumps(where)})"
        return self.js(f"!!{found} && {found}.checkVisibility() && {found}.getBoundingClientRect().height > 0")

    def tap(self, where, *, leads_on=False):
        """Put a finger on the middle of the element; `leads_on` waits for the page that comes of it."""
        found = json.dumps(where)
        self.js(f"document.querySelector({found}).scrollIntoView({{block: 'center'}})")
        box = self.js(
            f"[document.querySelector({found}).getBoundingClientRect()].map(b => [b.x + b.width / 2, b.y + b.height / 2])[0]"
        )
        self._drain()
        for kind in ("mousePressed", "mouseReleased"):
            self.ask("Input.dispatchMouseEvent", type=kind, x=box[0], y=box[1], button="left", clickCount=1)
        if leads_on:
            self._loaded()

    def write(self, where, words):
        """Write into a field, in place of what is there."""
        self.js(f"(() => {{ const f = document.querySelector({json.dumps(where)}); f.focus(); f.select(); }})()")
        if words:
            self.ask("Input.insertText", text=words)
        else:
            for kind in ("keyDown", "keyUp"):
                self.ask("Input.dispatchKeyEvent", type=kind, key="Delete", code="Delete", windowsVirtualKeyCode=46)

    def picture(self, path, height=None):
        """A screenshot of the whole page, or of its top."""
        tall = height or self.js("document.documentElement.scrollHeight")
        clip = {"x": 0, "y": 0, "width": self.width, "height": tall, "scale": 1}
        shot = self.ask("Page.captureScreenshot", captureBeyondViewport=True, clip=clip)
        Path(path).write_bytes(base64.b64decode(shot["data"]))

    def contrasts(self, where):
        """The contrast of each of these elements with what is behind it."""
        return self.js(f"({CONTRAST})({json.dumps(where)})")

    def targets(self):
        """What can be touched, with its width and height, its label counted in: pixels."""
        return self.js(TARGETS)

    def smallest_target(self):
        """The least width or height of any of them, pixels."""
        return min(min(wide, tall) for _, wide, tall in self.targets())

    def axe(self):
        """What axe-core finds against WCAG 2.2 AA and its best practices, a line each."""
        self.js(AXE.read_text() + "; 0")
        tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
        found = self.js(f"axe.run(document, {{runOnly: {json.dumps(tags)}}}).then(done => done.violations)")
        return [f"{one['id']}: {node['html']} {node['failureSummary']}" for one in found for node in one["nodes"]]

    def _loaded(self):
        deadline = time.monotonic() + _PATIENCE_S
        while self._event(deadline - time.monotonic())["method"] != "Page.loadEventFired":
            pass

    def _drain(self):
        with contextlib.suppress(queue.Empty):
            while True:
                self._event(0)

    def _event(self, timeout_s):
        event = self._events.get(timeout=timeout_s) if timeout_s > 0 else self._events.get_nowait()
        if event["method"] == "Log.entryAdded" and event["params"]["entry"]["level"] == "error":
            self.complaints.append(event["params"]["entry"]["text"])
        elif event["method"] == "Runtime.exceptionThrown":
            self.complaints.append(str(event["params"]["exceptionDetails"]))
        return event
