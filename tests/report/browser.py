"""Reads pages in headless Chromium as a person would, and notes everything they do."""

import os
import shutil
from pathlib import Path
from typing import Any, Self

#: With this set, a missing browser is a failure and not a reason to skip.
NEED = "SPARKLEDGER_NEED_BROWSER"
_NAMES = ("chromium", "chromium-browser", "google-chrome-stable")


def find_browser() -> str | None:
    """Path of a Chromium of this machine."""
    return next((path for name in _NAMES if (path := shutil.which(name))), None)


class Reader:
    """Pages opened in one browser; every request, message and error is kept."""

    def __init__(self, browser: Any) -> None:
        self._browser = browser
        self._contexts: list[Any] = []
        self.requests: list[str] = []
        self.messages: list[str] = []
        self._pages: list[Any] = []

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        for context in self._contexts:
            context.close()

    def open(
        self,
        path: Path,
        *,
        width: int = 1280,
        script: bool = True,
        scheme: str = "light",
        alive: bool = True,
    ) -> Any:
        """Open a file; with script and ``alive`` every chart is scrolled to and waited for."""
        context = self._browser.new_context(
            viewport={"width": width, "height": 900}, java_script_enabled=script,
            color_scheme=scheme, accept_downloads=True,
        )  # fmt: skip
        context.set_default_timeout(15_000)
        self._contexts.append(context)
        page = context.new_page()
        self._pages.append(page)
        url = path.as_uri()
        page.on("request", lambda r: self.requests.append(r.url) if r.url != url else None)
        page.on("console", lambda m: self.messages.append(f"{m.type}: {m.text}"))
        page.on("pageerror", lambda e: self.messages.append(f"error: {e}"))
        page.goto(url)
        if script and alive:
            self.wake(page)
        return page

    @staticmethod
    def wake(page: Any) -> None:
        """Scroll to every live chart until it runs."""
        for figure in page.query_selector_all("[data-alive]"):
            figure.evaluate("e => {for (let p = e; p; p = p.parentElement) if (p.open === false)"
                            " p.open = true; e.scrollIntoView()}")  # fmt: skip
            name = figure.get_attribute("data-alive")
            page.wait_for_selector(f'[data-alive="{name}"][data-state]', state="attached")

    def hold_quiet(self) -> None:
        """No request left a page, nothing was said on the console, nothing hostile ran."""
        outside = [url for url in self.requests if not url.startswith(("blob:", "data:"))]
        assert not outside, outside
        assert not self.messages, self.messages
        for page in self._pages:
            assert page.evaluate("window.bad") is None


def mail_page(draft: Path, folder: Path) -> Path:
    """The page attached to a draft, saved as a reader would."""
    import email
    from email.policy import default

    message = email.message_from_bytes(draft.read_bytes(), policy=default)
    part = next(p for p in message.iter_attachments() if p.get_content_type() == "text/html")
    path = folder / "mailed.html"
    path.write_bytes(part.get_payload(decode=True))  # type: ignore[arg-type]
    return path


def axe() -> str:
    """The accessibility rules' script, from the registry package."""
    import axe_core_python

    return (Path(os.fspath(axe_core_python.__file__ or "")).parent / "axe.min.js").read_text()
