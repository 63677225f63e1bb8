"""A browser without network, the valley served on loopback, pages that must stay silent on the console."""

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

from tests.builders import House, busy_house
from tests.serving import serving

CHROMIUM = os.environ.get("TEST_CHROMIUM", "/usr/bin/chromium")
QUIET = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
SIZES = {"phone": {"width": 360, "height": 740}, "desktop": {"width": 1280, "height": 800}}


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """One browser a file; each test gets a context of its own.

    Not one for the whole session: while it is open, its event loop counts as running in this thread, and tests of other
    rooms could not run theirs.
    """
    if not Path(CHROMIUM).exists():
        pytest.skip(f"there is no {CHROMIUM}; name one in TEST_CHROMIUM")
    with sync_playwright() as playwright:
        launched = playwright.chromium.launch(executable_path=CHROMIUM, args=QUIET)
        yield launched
        launched.close()


@pytest.fixture(scope="module")
def quiet_house(tmp_path_factory) -> Iterator[House]:
    """The valley for tests that only look."""
    made = busy_house(tmp_path_factory.mktemp("valley"))
    yield made
    made.close()


@pytest.fixture(scope="module")
def looked_at(quiet_house) -> Iterator[str]:
    """Where it is served."""
    with serving(quiet_house) as address:
        yield address


@pytest.fixture
def house(tmp_path) -> Iterator[House]:
    """The valley for a test that changes it."""
    made = busy_house(tmp_path)
    yield made
    made.close()


@pytest.fixture
def address(house) -> Iterator[str]:
    """Where it is served."""
    with serving(house) as reached:
        yield reached


class Watched:
    """A page, and what it said on the console or asked of other places."""

    def __init__(self, context: BrowserContext, address: str, forgives: str) -> None:
        self.forgives = forgives
        self.page: Page = context.new_page()
        self.complaints: list[str] = []
        self.page.on("console", lambda said: self.complaints.append(said.text) if said.type == "error" else None)
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on(
            "request", lambda asked: None if asked.url.startswith(address) else self.complaints.append(asked.url)
        )


@pytest.fixture
def watch(browser) -> Iterator:
    """Opens watched pages; when the test ends none of them may have complained."""
    contexts: list[BrowserContext] = []
    pages: list[Watched] = []

    def opened(address: str, path: str, *, size: str = "phone", forgives: str = "", **options: object) -> Page:
        """A page of the address; forgives: a complaint that the test provokes, by its beginning."""
        context = browser.new_context(viewport=SIZES[size], **options)
        context.set_default_timeout(10_000)
        contexts.append(context)
        watched = Watched(context, address, forgives)
        pages.append(watched)
        watched.page.goto(f"{address}{path}")
        return watched.page

    yield opened
    complaints = [
        complaint
        for page in pages
        for complaint in page.complaints
        if not (page.forgives and complaint.startswith(page.forgives))
    ]
    for context in contexts:
        context.close()
    assert complaints == []
