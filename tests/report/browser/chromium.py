"""A headless Chromium for the report's tests: opens a file, says what it logged and asked for, measures, prints.

Driven through its DevTools commands; finds the browser, its driver and axe-core, and says what is missing.
"""

from __future__ import annotations

import base64
import json
import os
import shutil
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from selenium.webdriver import Chrome

ROOT = Path(__file__).resolve().parents[3]
HERE = Path(__file__).resolve().parent
BROWSERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
AXE = Path("node_modules") / "axe-core" / "axe.min.js"
FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-dev-shm-usage",
    "--disable-background-networking", "--disable-component-update", "--disable-sync", "--disable-default-apps",
    "--disable-extensions", "--hide-scrollbars", "--force-color-profile=srgb", "--lang=en-GB",
)  # fmt: skip
MM = 1 / 25.4  # inches
PRINTS_MAX = 4
PAPERS = {"A4": (210 * MM, 297 * MM), "Letter": (8.5, 11.0)}
# WCAG 2.2 AA contains what the earlier versions ask for at A and AA.
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


@dataclass(frozen=True)
class View:
    """A window. dark: the reader's system prefers dark colours."""

    name: str
    width_px: int
    height_px: int
    dark: bool = False


PHONE = View("phone", 360, 740)
LAPTOP = View("laptop", 1366, 768)
VIEWS = (PHONE, LAPTOP, View("phone-dark", 360, 740, True), View("laptop-dark", 1366, 768, True))
NARROWEST = View("narrowest", 320, 640)  # WCAG 2.2, success criterion 1.4.10 Reflow: 320 CSS px


def find_axe() -> Path | None:
    """axe.min.js: where LIDJIG_AXE says, else in the checkout's environment, as .ci/run installs it."""
    named = os.environ.get("LIDJIG_AXE")
    places = [Path(named)] if named else []
    places += [ROOT / ".venv" / "axe" / AXE, ROOT / AXE]
    return next((place for place in places if place.is_file()), None)


def missing() -> str | None:
    """What keeps a browser from being driven here, None where nothing does."""
    try:
        import selenium  # noqa: F401
    except ImportError:
        return "selenium is not installed (pip install -e '.[dev]')"
    if _browser() is None:
        return "no chromium on PATH (Debian: apt-get install chromium chromium-driver)"
    if shutil.which("chromedriver") is None:
        return "no chromedriver on PATH (Debian: apt-get install chromium-driver)"
    return None


def _browser() -> str | None:
    return next((found for name in BROWSERS if (found := shutil.which(name))), None)


def start() -> Iterator[Page]:
    """A browser with a profile of its own, closed and its profile removed afterwards."""
    from selenium.webdriver import Chrome, ChromeOptions
    from selenium.webdriver.chrome.service import Service

    profile = tempfile.mkdtemp(prefix="lidjig-browser-")
    options = ChromeOptions()
    options.binary_location = _browser() or ""
    for flag in (*FLAGS, f"--user-data-dir={profile}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    # Both paths are given: the driver package looks for nothing and fetches nothing.
    driver = Chrome(options=options, service=Service(shutil.which("chromedriver")))
    driver.set_page_load_timeout(30)
    driver.set_script_timeout(60)
    try:
        yield Page(driver)
    finally:
        driver.quit()
        shutil.rmtree(profile, ignore_errors=True)


class Page:
    """The one tab. Each open() forgets what was logged before."""

    def __init__(self, driver: Chrome) -> None:
        self._driver = driver

    def open(self, path: Path, view: View = LAPTOP) -> None:
        """Load the file in a window of that size, as a first visit, and wait until it stands."""
        self._command("Network.enable")
        self._command("Network.setCacheDisabled", cacheDisabled=True)
        self._driver.get_log("browser")
        self._driver.get_log("performance")
        self.resize(view)
        self._driver.get(path.resolve().as_uri())

    def resize(self, view: View) -> None:
        """Another window, the page as it stands."""
        size = {"width": view.width_px, "height": view.height_px, "deviceScaleFactor": 1, "mobile": False}
        self._command("Emulation.setDeviceMetricsOverride", **size)
        self._media("", dark=view.dark)

    def _media(self, media: str, *, dark: bool) -> None:
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self._command("Emulation.setEmulatedMedia", media=media, features=[scheme])

    def _command(self, name: str, **parameters: Any) -> Any:
        return self._driver.execute_cdp_cmd(name, parameters)

    @property
    def title(self) -> str:
        """The document's title."""
        return str(self._driver.title)

    def logged(self) -> list[str]:
        """Everything in the console since open(), messages of the browser about the page included."""
        return [f"{entry['level']}: {entry['message']}" for entry in self._driver.get_log("browser")]

    def requested(self) -> list[str]:
        """Every address that was asked for since open(); data: addresses, which ask nobody, left out."""
        messages = [json.loads(entry["message"])["message"] for entry in self._driver.get_log("performance")]
        sent = [m["params"]["request"]["url"] for m in messages if m["method"] == "Network.requestWillBeSent"]
        return [url for url in sent if not url.startswith("data:")]

    def measure(self, name: str) -> Any:
        """What a function of measure.js returns."""
        return self._driver.execute_script(f"{_measures()}\nreturn {name}();")

    def violations(self, axe: Path) -> list[str]:
        """What axe-core finds against WCAG 2.2 AA and its best practice, one line each."""
        self._driver.execute_script(axe.read_text(encoding="utf-8"))
        run = "const [tags, done] = arguments; axe.run({runOnly: tags, resultTypes: ['violations']}).then(done)"
        result = self._driver.execute_async_script(f"{run}.catch(e => done({{error: String(e)}}));", RULES)
        if "error" in result:
            raise AssertionError(result["error"])
        return [
            f"{rule['id']}: {node['html'][:160]} :: {node.get('failureSummary', '')[:240]}"
            for rule in result["violations"]
            for node in rule["nodes"]
        ]

    def printed(self, paper: str) -> bytes:
        """The page as PDF on that paper, without backgrounds, as the browser's print dialogue has it by default."""
        width_in, height_in = PAPERS[paper]
        given = {"paperWidth": width_in, "paperHeight": height_in, "printBackground": False}
        for again in range(PRINTS_MAX):
            try:
                done = self._command("Page.printToPDF", preferCSSPageSize=False, **given)
                break
            except Exception as error:
                # The browser's own print job breaks off now and then, of any page; what it prints is judged as ever.
                if "Printing failed" not in str(error) or again == PRINTS_MAX - 1:
                    raise
                time.sleep(0.5)
        return base64.b64decode(done["data"])

    def printed_as(self, paper: str) -> None:
        """Lay the page out as on that paper between its margins, in the window, so that it can be measured."""
        width_in, height_in = PAPERS[paper]
        width_px = round((width_in - 2 * 16 * MM) * 96)
        self.resize(View(paper, width_px, round(height_in * 96)))
        self._media("print", dark=False)

    def picture(self, path: Path) -> None:
        """The whole page, however long, as PNG."""
        done = self._command("Page.captureScreenshot", format="png", captureBeyondViewport=True, clip=self._whole())
        path.write_bytes(base64.b64decode(done["data"]))

    def _whole(self) -> dict[str, float]:
        size = self._command("Page.getLayoutMetrics")["cssContentSize"]
        return {"x": 0, "y": 0, "width": size["width"], "height": size["height"], "scale": 1}


def _measures() -> str:
    return (HERE / "measure.js").read_text(encoding="utf-8")
