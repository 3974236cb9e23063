"""A bench served to a real browser: the command as a process, simulated gauges, pages that tell what broke.

The browser is the system's Chromium. A page's sounds and speech go to lists instead of loudspeakers.
"""

import queue
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from axe_playwright_python.sync_playwright import Axe  # type: ignore[import-untyped]  # ships none
from playwright.sync_api import Browser, ConsoleMessage, Page, Request, sync_playwright

from acquire.home import Home
from tests.benches import method_text
from tests.must_run import program
from tests.processes import end_process
from tests.sim_process import SimProcess

DEADLINE_S = 20.0
SPEED = 4
"""So many times faster time passes, for gauges and service alike."""
WIDTHS = (360, 1024, 1920)
HEIGHTS = {360: 740, 1024: 768, 1920: 1080}

_BENCH = """
format = "panelwright-bench 1"
name = "Screen test (invented, simulated)"
time_zone = "UTC"

[place]
latitude_deg = 52.0
height_m = 80.0
"""
_GAUGES = {
    "force": "force-stream-n",
    "gloss": "gloss-key",
    "wash": "wash-stroke",
}
_TOLERANCES = {"force": 0.03, "gloss": 1.0, "wash": 0.5}
_REFERENCES = """
[references.weight-200g]
kind = "weight"
mass_g = 200.0
expanded_uncertainty = 0.01
certificate = "W-1 (invented)"
due = 2031-12-31

[references.tile]
kind = "tile"
gloss_gu = { 60 = 93.0 }
expanded_uncertainty = 0.4
certificate = "T-1 (invented)"
due = 2031-12-31

[references.strokes-10]
kind = "strokes"
strokes = 10
"""

SPY = """
window.spoken = []; window.tones = [];
const speech = {
  speak(u) { window.spoken.push({ text: u.text, lang: u.lang }); },
  cancel() {}, resume() {}, getVoices() { return []; },
};
Object.defineProperty(window, "speechSynthesis", { value: speech, configurable: true });
const Real = window.AudioContext;
window.AudioContext = class extends Real {
  createOscillator() {
    const one = super.createOscillator(), start = one.start.bind(one);
    one.start = (when) => { window.tones.push(one.frequency.value); start(when); };
    return one;
  }
};
"""


class Serving:
    """`panelwright serve` as a process; ended by SIGTERM on leaving."""

    def __init__(self, home: Home, *args: str, port: int = 0, speed: float = SPEED) -> None:
        words = ["serve", "--home", str(home.folder), "--port", str(port), "--speed", str(speed), *args]
        self._process = subprocess.Popen(
            [sys.executable, "-u", "-c", "from acquire.cli import main; main()", *words],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self.said: list[str] = []
        self._lines: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._listener = threading.Thread(target=self._listen)
        self._listener.start()
        try:
            self.url = self.until("The screen is at ").rsplit(" ", 1)[1].rstrip("/")
        except BaseException:
            self.close()
            raise
        self.port = int(self.url.rsplit(":", 1)[1])

    def _listen(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            self._lines.put(line)
        self._lines.put("")

    def until(self, containing: str) -> str:
        """The next line that says so. Fails if the service ends first, or says nothing for too long."""
        while True:
            line = self._lines.get(timeout=DEADLINE_S)
            if not line:
                assert self._process.stderr is not None
                said = f"{self.said[-5:]} {self._process.stderr.read()[-2000:]}"
                raise AssertionError(f"ended before it said {containing!r}: {said}")
            self.said.append(line.rstrip("\n"))
            if containing in line:
                return line.rstrip("\n")

    def send(self, signum: int) -> None:
        self._process.send_signal(signum)

    def end(self, signum: int = signal.SIGTERM) -> tuple[int, str, float]:
        """Ends it; its exit code, what it said on stderr, and how long that took in s."""
        began_s = time.monotonic()
        self._process.send_signal(signum)
        code = self._process.wait(DEADLINE_S)
        took_s = time.monotonic() - began_s
        self._listener.join(DEADLINE_S)
        with suppress(queue.Empty):
            while line := self._lines.get_nowait():
                self.said.append(line.rstrip("\n"))
        assert self._process.stderr is not None
        return code, self._process.stderr.read(), took_s

    def close(self) -> None:
        if self._process.poll() is None:
            self._process.terminate()
            with suppress(subprocess.TimeoutExpired):
                self._process.wait(5.0)
        end_process(self._process, self._listener, within_s=DEADLINE_S)


@dataclass
class ServedBench:
    """An invented bench with simulated gauges, served."""

    home: Home
    gauges: dict[str, SimProcess]
    serving: Serving
    _stack: ExitStack = field(repr=False)

    @property
    def url(self) -> str:
        return self.serving.url

    def restart(self, *, away_s: float = 0.0) -> None:
        """Ends the service and starts it again at the same port."""
        port = self.serving.port
        self.serving.end()
        self.serving.close()
        time.sleep(away_s)
        self.serving = Serving(self.home, port=port)
        self._stack.callback(self.serving.close)


@contextmanager
def served_bench(
    folder: Path,
    *gauges: str,
    serve: tuple[str, ...] = (),
    fill: Callable[[Home], None] = lambda home: None,
    speed: float = SPEED,
    more_bench: str = "",
) -> Iterator[ServedBench]:
    """Lays a bench out, starts its simulated gauges and serves it.

    Args:
        gauges: any of force, gloss, wash; they do what they are told on `ServedBench.gauges[...]`.
        serve: further words for the command.
        fill: puts something into the journal before.
    """
    with ExitStack() as stack:
        sims = {
            name: stack.enter_context(
                SimProcess(name, "--speaks", _GAUGES[name], "--tcp", "0", "--no-auto", "--speed", str(speed))
            )
            for name in gauges
        }
        home = lay_out(folder, {name: sim.port for name, sim in sims.items()}, more_bench)
        fill(home)
        serving = Serving(home, *serve, speed=speed)
        stack.callback(serving.close)
        yield ServedBench(home, sims, serving, stack)


def lay_out(folder: Path, ports: dict[str, str], more_bench: str = "") -> Home:
    """A bench whose gauges are at these ports, and whose method asks for three readings of each kind."""
    home = Home(folder)
    home.create()
    tables = [
        f"[gauges.{name}]\ndescription = {_GAUGES[name]!r}\nport = {port!r}\n"
        f"tolerance = {{ absolute = {_TOLERANCES[name]} }}\n"
        for name, port in ports.items()
    ]
    home.bench_file.write_text("\n".join([_BENCH, *tables, _REFERENCES, more_bench]), encoding="utf-8")
    home.method_file.write_text(method_text(), encoding="utf-8")
    return home


@contextmanager
def chromium() -> Iterator[Browser]:
    """The system's browser. While it is open, the thread has an event loop: use it within one module."""
    path = program("chromium", where=("/usr/bin",))
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=str(path), args=["--no-sandbox", "--autoplay-policy=user-gesture-required"]
        )
        try:
            yield browser
        finally:
            browser.close()


@dataclass
class Seen:
    """A page, and what went wrong on it."""

    page: Page
    problems: list[str]

    def spoken(self) -> list[str]:
        return [one["text"] for one in self.page.evaluate("window.spoken")]

    def tones(self) -> list[float]:
        found: list[float] = self.page.evaluate("window.tones")
        return found


@contextmanager
def seen(browser: Browser, url: str, *, width: int = 1024, **options: Any) -> Iterator[Seen]:
    """A page in a browser profile of its own; fails at the end if anything went wrong on it.

    What a test breaks on purpose it takes off `Seen.problems`.
    """
    context = browser.new_context(
        viewport={"width": width, "height": HEIGHTS.get(width, 800)}, **{"locale": "en-GB", **options}
    )
    try:
        context.add_init_script(SPY)
        page = context.new_page()
        page.set_default_timeout(DEADLINE_S * 500)
        one = Seen(page, [])
        _listen_to(page, one.problems)
        page.goto(url, wait_until="load")
        yield one
        assert not one.problems, one.problems
    finally:
        context.close()


def _listen_to(page: Page, problems: list[str]) -> None:
    def console(message: ConsoleMessage) -> None:
        if message.type in ("error", "warning"):
            problems.append(f"console: {message.text}")

    def failed(request: Request) -> None:
        # A page that is left, or loaded again, cuts short what it was asking for.
        if "ERR_ABORTED" not in str(request.failure):
            problems.append(f"request: {request.url} {request.failure}")

    page.on("console", console)
    page.on("pageerror", lambda error: problems.append(f"script: {error}"))
    page.on("requestfailed", failed)


def accessibility_faults(page: Page) -> list[str]:
    """Every rule of axe-core that the page breaks, with where."""
    found = Axe().run(page, options={"resultTypes": ["violations"]}).response["violations"]
    return [f"{rule['id']}: {node['html'][:160]}" for rule in found for node in rule["nodes"]]


def wider_than_its_window(page: Page) -> int:
    """By so many pixels a person would have to scroll sideways."""
    width: int = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
    return max(0, width)


def reached_by_tab(page: Page, *, most: int = 80) -> list[str]:
    """What the Tab key reaches, in order, each as its tag and name; ends where it starts again."""
    found: list[str] = []
    page.evaluate("document.activeElement && document.activeElement.blur()")
    for _ in range(most):
        page.keyboard.press("Tab")
        said = page.evaluate(
            "(e => e === document.body ? '' : e.tagName.toLowerCase() + ' ' + "
            "(e.getAttribute('aria-label') || e.name || e.textContent.trim()).slice(0, 40))"
            "(document.activeElement)"
        )
        if not said or (found and said == found[0]):
            break
        found.append(said)
    return found
