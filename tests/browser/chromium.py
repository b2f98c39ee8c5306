"""Chromium for tests: people in windows of their own, watched for policy violations and checked by axe."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

CHROMIUM = Path("/usr/bin/chromium")
AXE = Path(__file__).parent / "vendor" / "axe-4.14.1.min.js"
ARGUMENTS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--autoplay-policy=no-user-gesture-required",
]
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]

#: What is half under the player at the foot of the window looks small to axe; a scroll brings it out.
RUN_AXE = """async (rules) => {
  const { violations } = await axe.run(document, { runOnly: { type: 'tag', values: rules } });
  const player = document.querySelector('.player')?.getBoundingClientRect();
  const covered = (node) => {
    const box = document.querySelector(node.target.at(-1))?.getBoundingClientRect();
    return Boolean(player && box && box.bottom > player.top && box.top < player.bottom);
  };
  return violations
    .map(({ id, help, nodes }) => ({ id, help, nodes: nodes.filter((node) => id !== 'target-size' || !covered(node)) }))
    .filter(({ nodes }) => nodes.length)
    .map(({ id, help, nodes }) => ({ id, help, targets: nodes.map((node) => node.target) }));
}"""


class Person:
    """Somebody at a browser window. `complaints`: what the browser said against our pages."""

    def __init__(self, context: Any, address: str) -> None:
        self.page = context.new_page()
        self.address = address
        self.complaints: list[str] = []
        self.page.on("console", self._console)
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.set_default_timeout(20_000)

    def _console(self, message: Any) -> None:
        if message.type == "error" or "Content Security Policy" in message.text:
            self.complaints.append(f"{self.page.url}: {message.text}")

    def open(self, path: str) -> None:
        self.page.goto(self.address + path)

    def fill_rest(self, values: dict[str, str]) -> None:
        """Fill the form's fields by what their names hold; both password fields get the password."""
        for field in self.page.locator("main form input:not([type=hidden])").all():
            name = field.get_attribute("name") or ""
            key = next((key for key in ("username", "password") if key in name), "name")
            if key in values and not field.input_value():
                field.fill(values[key])

    def check(self) -> None:
        """Axe finds nothing against WCAG 2.2 A and AA on the page as it stands."""
        # By evaluation and not by a script element: the pages allow no scripts but their own.
        self.page.evaluate(AXE.read_text(encoding="utf-8"))
        found = self.page.evaluate(RUN_AXE, RULES)
        told = [f"{violation['id']}: {violation['help']} at {violation['targets'][:3]}" for violation in found]
        assert not told, f"{self.page.url}: {told}"
        width = self.page.evaluate("[document.documentElement.scrollWidth, innerWidth]")
        assert width[0] <= width[1], f"{self.page.url} scrolls sideways"


class Browser:
    """A running Chromium."""

    def __init__(self, browser: Any) -> None:
        self._browser = browser

    def person(self, address: str, *, viewport: dict[str, int], phone: bool = False, scripts: bool = True) -> Person:
        context = self._browser.new_context(
            viewport=viewport, is_mobile=phone, has_touch=phone, locale="en-GB", java_script_enabled=scripts
        )
        return Person(context, address)

    def close_all(self) -> None:
        """Close every window of everybody."""
        for context in self._browser.contexts:
            context.close()


@contextmanager
def start_browser(*arguments: str) -> Iterator[Browser]:
    """Chromium, started with ARGUMENTS and these.

    Skips the test with a reason where there is no Chromium, unless FINGERWORK_REQUIRE names "browser".
    """
    required = "browser" in re.split(r"[,\s]+", os.environ.get("FINGERWORK_REQUIRE", ""))
    if not CHROMIUM.exists():
        reason = f"needs Chromium at {CHROMIUM}"
        pytest.fail(reason) if required else pytest.skip(reason)
    sync_api = pytest.importorskip("playwright.sync_api")
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=str(CHROMIUM), args=[*ARGUMENTS, *arguments])
        try:
            yield Browser(browser)
        finally:
            browser.close()
