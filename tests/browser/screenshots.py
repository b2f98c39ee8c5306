"""The README's pictures, from a running demo: ``python -m tests.browser.screenshots http://127.0.0.1:8000``."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

from tests.browser.chromium import Person, start_browser

FOLDER = Path(__file__).parents[2] / "static" / "img" / "screens"
PASSWORD = "reed-and-bag"


def log_in(person: Person, name: str) -> Any:
    """The page of `name`, logged in."""
    person.open("/log-in/")
    person.page.fill("input[name=username]", name)
    person.page.fill("input[name=password]", PASSWORD)
    person.page.locator("main button[type=submit]").click()
    person.page.wait_for_load_state("networkidle")
    return person.page


def main(address: str) -> None:
    """Write both pictures."""
    FOLDER.mkdir(parents=True, exist_ok=True)
    with start_browser() as browser:
        desk = browser.person(address, viewport={"width": 1280, "height": 800})
        page = log_in(desk, "morven")
        desk.open("/takes/")
        page.locator("a.take-row", has_text="Tam Thistlewick").first.click()
        page.wait_for_selector("#review[data-ready]")
        page.locator("#movements li").nth(4).locator("button").click()
        page.wait_for_timeout(800)
        page.mouse.move(640, 10)  # nothing is to look pointed at
        page.evaluate("scrollTo(0, 0)")
        page.wait_for_timeout(300)
        page.screenshot(path=FOLDER / "review.png")
        phone = browser.person(address, viewport={"width": 390, "height": 844}, phone=True)
        page = log_in(phone, "struan")
        page.wait_for_selector(".music-place svg")
        page.locator(".music-place").first.evaluate("(music) => scrollTo(0, music.getBoundingClientRect().top - 330)")
        page.wait_for_timeout(300)
        page.screenshot(path=FOLDER / "week.png")


if __name__ == "__main__":
    main(sys.argv[1])
