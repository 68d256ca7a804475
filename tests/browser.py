"""Opening a page in the shared browser with the network off, and watching what it does."""

from __future__ import annotations

from collections import defaultdict
from pathlib import Path

from playwright.sync_api import Browser, ConsoleMessage, Page, Request

# pages that were left, by browser and by whether they are a phone's
_free: defaultdict[tuple[Browser, bool], list[Page]] = defaultdict(list)


class Watched:
    """A page with everything it asked for and complained about."""

    def __init__(self, page: Page, kind: tuple[Browser, bool]) -> None:
        self.page, self._kind = page, kind
        self.requests: list[str] = []
        self.complaints: list[str] = []
        self._heard = {
            "request": self._request,
            "console": self._console,
            "pageerror": lambda error: self.complaints.append(str(error)),
        }
        for event, told in self._heard.items():
            page.on(event, told)

    def _request(self, request: Request) -> None:
        self.requests.append(request.url)

    def _console(self, message: ConsoleMessage) -> None:
        if message.type in ("error", "warning"):
            self.complaints.append(message.text)

    def close(self) -> None:
        """Leave the page to the next file; who changed more than the page closes its context."""
        for event, told in self._heard.items():
            self.page.remove_listener(event, told)
        _free[self._kind].append(self.page)

    @property
    def asked_for(self) -> list[str]:
        """What was asked for, without the pictures that stand in the page as data."""
        return [url for url in self.requests if not url.startswith("data:")]


def open_page(
    browser: Browser, path: Path, *, width: int = 1400, height: int = 900, phone: bool = False
) -> Watched:
    """Open a file with the network off, on a phone by touch; wait until its map is drawn.

    A page that was left is taken again: the document is a new one, but its process, which takes a
    second of the processor to start, is not.
    """
    kind = browser, phone
    if _free[kind]:
        page = _free[kind].pop()
        page.mouse.move(0, 0)  # where a new page has none
        page.set_viewport_size({"width": width, "height": height})
    else:
        page = browser.new_context(
            viewport={"width": width, "height": height},
            offline=True,
            has_touch=phone,
            is_mobile=phone,
        ).new_page()
    watched = Watched(page, kind)
    watched.page.goto(path.as_uri())
    watched.page.wait_for_selector("body[data-ready]")
    return watched


def open_phone(browser: Browser, path: Path) -> Watched:
    """Open a file on a phone of 390 x 844 points."""
    return open_page(browser, path, width=390, height=844, phone=True)


def show_layers(page: Page) -> None:
    """Open the sheet with the list of layers."""
    page.get_by_role("button", name="Layers").click()
