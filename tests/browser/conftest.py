"""A real server in a process of its own, and a real browser."""

import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_logs"
FLAGS = (
    "--no-sandbox --headless=new --disable-gpu --disable-background-networking "
    "--disable-component-update --disable-sync --no-first-run --disable-quic"
)


@pytest.fixture(scope="session")
def shelf(tmp_path_factory) -> Path:
    """The sample recordings in a folder of their own, where results can be filed."""
    folder = tmp_path_factory.mktemp("shelf") / "season"
    shutil.copytree(SAMPLES, folder)
    return folder


@pytest.fixture(scope="session")
def server(shelf: Path) -> Iterator[str]:
    command = [
        sys.executable,
        "-m",
        "analyzer.cli",
        "dashboard",
        "--port",
        "0",
        "--shelf",
        str(shelf),
    ]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=ROOT)
    try:
        line = process.stdout.readline()
        yield re.search(r"http://127\.0\.0\.1:\d+/", line).group()
    finally:
        process.terminate()
        process.wait(10)
        process.stdout.close()


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    found = shutil.which("chromium")
    assert found, "these tests need Debian's chromium on the PATH"
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=found, args=FLAGS.split())
        yield chromium
        chromium.close()


class Watch:
    """Everything that must not happen in a page."""

    def __init__(self, home: str) -> None:
        self.home = home
        self.bad: list[str] = []

    def follow(self, page: Page) -> Page:
        page.on("console", lambda m: m.type in {"error", "warning"} and self.bad.append(m.text))
        page.on("pageerror", lambda e: self.bad.append(str(e)))
        page.on("requestfailed", self._failed)
        page.on("response", lambda r: r.status >= 400 and self.bad.append(f"{r.status} {r.url}"))
        page.on("request", self._request)
        return page

    def _failed(self, request) -> None:
        # Given up by the browser itself: a link that turns out to be a download, or the page is left.
        if request.failure != "net::ERR_ABORTED":
            self.bad.append(f"failed: {request.url} {request.failure}")

    def _request(self, request) -> None:
        if not request.url.startswith((self.home, "data:", "blob:" + self.home)):
            self.bad.append(f"another host: {request.url}")


@pytest.fixture
def watch(server: str) -> Iterator[Watch]:
    guard = Watch(server)
    yield guard
    assert guard.bad == []


def new_page(browser: Browser, watch: Watch, width: int = 1280, scheme: str = "light") -> Page:
    context: BrowserContext = browser.new_context(
        viewport={"width": width, "height": 900}, color_scheme=scheme, accept_downloads=True
    )
    page = watch.follow(context.new_page())
    page.set_default_timeout(60_000)
    return page


def bring_in(page: Page, server: str, *files: Path) -> str:
    """Upload, look at it, analyse: by clicks. Gives the recording's key."""
    page.goto(server)
    page.set_input_files("#recording-upload input", [str(f) for f in files])
    page.click("#recording-analyze")
    page.wait_for_url("**/motion?case=*")
    page.wait_for_selector("#motion-fan .main-svg")
    return re.search(r"case=([\w-]+)", page.url).group(1)


@pytest.fixture(scope="session")
def analysed(server: str, browser: Browser) -> str:
    """Key of a recording that is analysed, for tests that only look."""
    page = browser.new_page()
    page.set_default_timeout(60_000)
    key = bring_in(
        page, server, SAMPLES / "book_cart_before" / "drive.csv", SAMPLES / "book_cart.toml"
    )
    page.context.close()
    return key
