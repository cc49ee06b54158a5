"""The system's browser, and pages opened in it."""

import shutil

import pytest

BROWSER = next(
    filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None
)


@pytest.fixture(scope="module")
def browser():
    """Start the system's browser."""
    library = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    if BROWSER is None:
        pytest.skip("no chromium found on PATH")
    with library.sync_playwright() as driver:
        started = driver.chromium.launch(executable_path=BROWSER, args=["--no-sandbox"])
        yield started
        started.close()


@pytest.fixture
def visit(browser, pages):
    """Open a page; at the end nothing may have been said on the console or asked of a network."""
    opened = []

    def go(name, *, width=1200, **options):
        context = browser.new_context(**({"viewport": {"width": width, "height": 900}} | options))
        page = context.new_page()
        said, asked = [], []
        page.on("console", lambda message: said.append(message.text))
        page.on("pageerror", lambda error: said.append(str(error)))
        page.on("request", lambda request: asked.append(request.url))
        page.goto(pages[name])
        opened.append((context, said, asked, pages[name]))
        return page

    yield go
    for context, said, asked, address in opened:
        context.close()
        assert said == []
        assert asked == [address]
