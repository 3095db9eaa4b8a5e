"""A browser without a window, and the pages of `quietspin report` that it opens from disk."""

import base64
import json
import os
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from selenium import webdriver
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.support.wait import WebDriverWait

ROOT = Path(__file__).resolve().parents[2]
RECORDINGS = ROOT / "samples" / "recordings"
LOOKS = ROOT / ".tests" / "report"
SAMPLES = ("good", "imbalanced", "misaligned", "bearing", "microphone", "unfit")

SWITCHES = (
    "--headless",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)

# a file name cannot hold a slash, the name of a channel can hold anything
HOSTILE_FILE = '"><img src=x onerror=alert(1)>&amp;<svg onload=alert(2)>.wav'
HOSTILE_NAMES = {
    "channel.front": "<script>alert(3)</script>",
    "channel.rear": '"><img src=x onerror=alert(4)>',
    "channel.pulse": "&amp;</style></svg><b>p",
    "blade.compressor": "</text><b>&lt;",
}


@dataclass(frozen=True)
class Page:
    """A page on disk and the recording that it tells of."""

    path: Path
    recording: Path
    told: dict[str, str]
    """What the command printed about it, as JSON."""


class Browser:
    """Chromium by its driver: opens files, tells what went on, prints."""

    def __init__(self, folder: Path) -> None:
        options = Options()
        options.binary_location = "/usr/bin/chromium"
        for switch in (*SWITCHES, f"--user-data-dir={folder}"):
            options.add_argument(switch)
        if os.geteuid() == 0:
            # Chromium refuses to start as root with it
            options.add_argument("--no-sandbox")
        options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
        self.driver = webdriver.Chrome(options, Service("/usr/bin/chromedriver"))

    def open(self, path: Path, width: int, scripts: bool = True) -> None:
        """Open a file on a screen of `width` pixels; what was logged before is dropped.

        Where a script of the page raises an alert, the driver raises an error.
        """
        self.driver.get("about:blank")
        screen = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 600}
        self.command("Emulation.setDeviceMetricsOverride", screen)
        self.command("Emulation.setScriptExecutionDisabled", {"value": not scripts})
        for kind in ("browser", "performance"):
            self.driver.get_log(kind)
        self.driver.get(path.as_uri())
        # the size reaches the page some moments after it was ordered
        fits = f"return document.readyState === 'complete' && matchMedia('(width: {width}px)').matches"
        WebDriverWait(self.driver, 10).until(lambda _driver: self.ask(fits))

    def command(self, name: str, parameters: dict[str, Any]) -> dict[str, Any]:
        """Send a command of the browser's own protocol."""
        return self.driver.execute_cdp_cmd(name, parameters)

    def ask(self, script: str) -> Any:
        """Return what a script of the test returns; the page itself has none."""
        return self.driver.execute_script(script)

    def complaints(self) -> list[str]:
        """Return what stands in the console."""
        return [entry["message"] for entry in self.driver.get_log("browser")]

    def requested(self) -> list[str]:
        """Return the addresses asked for since the page was opened; pictures inside it are left out."""
        events = [
            json.loads(entry["message"])["message"] for entry in self.driver.get_log("performance")
        ]
        asked = [
            e["params"]["request"]["url"] for e in events if e["method"] == "Network.requestWillBeSent"
        ]
        return [url for url in asked if not url.startswith("data:")]

    def photograph(self, to: Path) -> bytes:
        """Write the whole page, as it stands on the screen, to a PNG."""
        page = self.laid_out()
        whole = {"x": 0, "y": 0, "width": page["width"], "height": page["height"], "scale": 1}
        parameters = {"format": "png", "captureBeyondViewport": True, "clip": whole}
        picture = base64.b64decode(self.command("Page.captureScreenshot", parameters)["data"])
        to.write_bytes(picture)
        return picture

    def laid_out(self) -> dict[str, float]:
        """Return the size of the page, once it has one."""

        def size(_driver: object) -> dict[str, float] | None:
            page = self.command("Page.getLayoutMetrics", {})["cssContentSize"]
            return page if page["width"] > 0 and page["height"] > 0 else None

        return WebDriverWait(self.driver, 10).until(size)

    def print_to(self, to: Path) -> None:
        """Print on the paper that the page itself asks for."""
        done = self.command("Page.printToPDF", {"preferCSSPageSize": True, "printBackground": False})
        to.write_bytes(base64.b64decode(done["data"]))


@pytest.fixture(scope="session")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    browser = Browser(tmp_path_factory.mktemp("profile"))
    yield browser
    browser.driver.quit()


@pytest.fixture(scope="session")
def looks() -> Path:
    """Return the folder where pictures of the pages are left to be looked at."""
    shutil.rmtree(LOOKS, ignore_errors=True)
    LOOKS.mkdir(parents=True)
    return LOOKS


def report(recording: Path, machine: Path | None, page: Path) -> Page:
    """Write the page of a recording with the command itself."""
    command = ["quietspin", "report", "--json", "--out", page, recording]
    if machine is not None:
        command += ["--machine", machine]
    done = subprocess.run(command, stdout=subprocess.PIPE, text=True)
    assert done.returncode in (0, 1, 3), done.stdout
    return Page(page, recording, json.loads(done.stdout))


def hostile(folder: Path) -> tuple[Path, Path]:
    """Return a recording and a machine file whose names are markup."""
    recording = folder / HOSTILE_FILE
    shutil.copy(RECORDINGS / "imbalanced.wav", recording)
    text = (RECORDINGS / "imbalanced.machine.toml").read_text()
    for plain, marked in HOSTILE_NAMES.items():
        assert f"[{plain}]" in text
        table = plain.split(".")[0]
        text = text.replace(f"[{plain}]", f"[{table}.{json.dumps(marked)}]")
    machine = folder / "hostile.machine.toml"
    machine.write_text(text)
    return recording, machine


@pytest.fixture(scope="session")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Page]:
    """Return pages: of each sample, of one without machine file, of one with markup for names."""
    folder = tmp_path_factory.mktemp("pages")
    made = {
        name: report(
            RECORDINGS / f"{name}.wav", RECORDINGS / f"{name}.machine.toml", folder / f"{name}.html"
        )
        for name in SAMPLES
    }
    made["bare"] = report(RECORDINGS / "bearing.wav", None, folder / "bare.html")
    made["hostile"] = report(*hostile(folder), folder / "hostile <b>&amp;.html")
    return made
