"""Shared by all tests: quiet plots, repeatable property tests, a real browser for pages and poppler for PDFs.

The browser is headless Chromium, driven by selenium. Tests that need a program this machine lacks are skipped and
say what to install; with SPREADCHECK_TOOLS=required they fail instead.
"""

import functools
import http.server
import json
import os
import shutil
import subprocess
import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path

import pytest
from hypothesis import settings

os.environ.setdefault("MPLBACKEND", "agg")
# Python keeps what it compiled, or every worker and every command started would compile it all anew.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.path.insert(0, str(Path(__file__).parent))
EXAMPLES = int(os.environ.get("SPREADCHECK_EXAMPLES", "20"))  # of every property; a thousand search further
settings.register_profile("house", deadline=None, derandomize=True, max_examples=EXAMPLES)
settings.load_profile("house")

FLAGS = (
    "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-dev-shm-usage",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--kiosk",  # no toolbar to be painted: a fifth of the browser's time
)  # fmt: skip
PHONE = (390, 844)  # CSS pixels of a usual phone


FRAME = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 4 3"></svg>'


@pytest.fixture
def undrawn(monkeypatch):
    """Reports whose pictures are composed but not drawn, which takes a second a report; how often one was asked for."""
    drawn = []

    def later(*_):
        return functools.cache(lambda: drawn.append("picture") or FRAME)

    monkeypatch.setattr("spreadcheck.show.report.drawn", later)
    return drawn


@dataclass
class Browser:
    """A browser window of phone size, the folder it serves pages from, and the folder it saves into."""

    driver: object
    pages: Path
    saves: Path
    address: str

    def open(self, html, name="page.html"):
        """Serve a page from this machine and open it as a fresh visitor; returns its address."""
        (self.pages / name).write_text(html, encoding="utf-8")
        self.driver.get(f"{self.address}/empty.html")
        self.driver.execute_script("localStorage.clear()")
        self.requests()  # forget the ones so far
        self.driver.get(f"{self.address}/{name}")
        return f"{self.address}/{name}"

    def requests(self):
        """The addresses asked for since the last look, those of the browser's own pages left out."""
        found = []
        for entry in self.driver.get_log("performance"):
            message = json.loads(entry["message"])["message"]
            if message["method"] == "Network.requestWillBeSent":
                found.append(message["params"]["request"]["url"])
        return found

    def saved(self, name, seconds=10):
        """The bytes of a file that the page saved, and the file gone."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            if (self.saves / name).is_file():
                data = (self.saves / name).read_bytes()
                (self.saves / name).unlink()
                return data
            time.sleep(0.05)
        raise AssertionError(f"{name} was not saved; there is {sorted(p.name for p in self.saves.iterdir())}")

    def shown(self):
        """What the page says, as a person reads it."""
        return self.driver.find_element("css selector", "body").text

    def find(self, selector):
        """The one element of a CSS selector."""
        return self.driver.find_element("css selector", selector)

    def all(self, selector):
        """Every element of a CSS selector."""
        return self.driver.find_elements("css selector", selector)

    def choose(self, selector, value):
        """Choose from a list by the value behind the choice."""
        from selenium.webdriver.support.ui import Select

        Select(self.find(selector)).select_by_value(value)

    def complaints(self):
        """What the browser wrote to its console: errors, and what a security policy held back."""
        return [entry["message"] for entry in self.driver.get_log("browser")]


class _QuietHandler(http.server.SimpleHTTPRequestHandler):
    def log_message(self, *args):
        """Say nothing: test output is for tests."""

    def end_headers(self):
        """Let nothing be kept: a page of the same name may be another one next time."""
        self.send_header("Cache-Control", "no-store")
        super().end_headers()


def programs(*names, install):
    """The paths of programs that a test needs, or the test is skipped (failed where they are required)."""
    found = [shutil.which(name) for name in names]
    if not all(found):
        leave = pytest.fail if os.environ.get("SPREADCHECK_TOOLS") == "required" else pytest.skip
        leave(f"needs {', '.join(names)}: apt-get install {install}")
    return found


@pytest.fixture
def poppler():
    """The programs of poppler-utils, without which nothing here says anything about a PDF."""
    programs("pdftotext", "pdftoppm", "pdfinfo", "pdffonts", install="poppler-utils")

    def run(program, *arguments, data):
        done = subprocess.run([program, *arguments], input=data, capture_output=True, check=True)
        return done.stdout if program == "pdftoppm" else done.stdout.decode()

    return run


@pytest.fixture(scope="session")
def browser_window(tmp_path_factory):
    """The one browser of a test run."""
    chromium, driver = programs("chromium", "chromedriver", install="chromium chromium-driver")
    pages, saves = tmp_path_factory.mktemp("pages"), tmp_path_factory.mktemp("saves")
    (pages / "empty.html").write_text('<!doctype html><link rel="icon" href="data:,">', encoding="utf-8")
    with http.server.ThreadingHTTPServer(
        ("127.0.0.1", 0), functools.partial(_QuietHandler, directory=str(pages))
    ) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        window = _started(chromium, driver, tmp_path_factory.mktemp("profile"), saves)
        yield Browser(window, pages, saves, f"http://127.0.0.1:{server.server_port}")
        window.quit()
        server.shutdown()


def _started(chromium, driver, profile, saves):
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = chromium
    for flag in (*FLAGS, f"--user-data-dir={profile}"):
        options.add_argument(flag)
    options.add_experimental_option("prefs", {"download.default_directory": str(saves)})
    options.set_capability("goog:loggingPrefs", {"performance": "ALL", "browser": "ALL"})
    window = webdriver.Chrome(options=options, service=Service(driver))
    width, height = PHONE
    window.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": height, "deviceScaleFactor": 2, "mobile": True},
    )
    return window


@pytest.fixture
def browser(browser_window):
    """A phone-sized browser; after each test it must not have complained of anything."""
    browser_window.complaints()
    yield browser_window
    assert browser_window.complaints() == []
