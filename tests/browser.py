"""Opening a page in the shared browser with the network off, and watching what it does."""

from __future__ import annotations

from pathlib import Path

from playwright.sync_api import Browser, ConsoleMessage, Page, Request


class Watched:
    """A page with everything it asked for and complained about."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.requests: list[str] = []
        self.complaints: list[str] = []
        page.on("request", self._request)
        page.on("console", self._console)
        page.on("pageerror", lambda error: self.complaints.append(str(error)))

    def _request(self, request: Request) -> None:
        self.requests.append(request.url)

    def _console(self, message: ConsoleMessage) -> None:
        if message.type in ("error", "warning"):
            self.complaints.append(message.text)

    @property
    def asked_for(self) -> list[str]:
        """What was asked for, without the pictures that stand in the page as data."""
        return [url for url in self.requests if not url.startswith("data:")]


def open_page(
    browser: Browser, path: Path, *, width: int = 1400, height: int = 900, phone: bool = False
) -> Watched:
    """Open a file with the network off, on a phone by touch; wait until its map is drawn."""
    context = browser.new_context(
        viewport={"width": width, "height": height}, offline=True, has_touch=phone, is_mobile=phone
    )
    watched = Watched(context.new_page())
    watched.page.goto(path.as_uri())
    watched.page.wait_for_selector("body[data-ready]")
    return watched


def open_phone(browser: Browser, path: Path) -> Watched:
    """Open a file on a phone of 390 x 844 points."""
    return open_page(browser, path, width=390, height=844, phone=True)


def show_layers(page: Page) -> None:
    """Open the sheet with the list of layers."""
    page.get_by_role("button", name="Layers").click()
