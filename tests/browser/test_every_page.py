"""Every page of the access matrix on a phone of 360 px, as tutor and as learner: nothing is told by pointing alone, all
that is pressed is 44 px large, nothing scrolls sideways, and axe finds nothing."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from django.urls import reverse

from studio.exercises import library
from tests.browser.chromium import Person, start_browser
from tests.browser.review_house import filled
from tests.studio.access_matrix import PEOPLE, ROWS, Row
from tests.studio.processes import Serving

pytestmark = pytest.mark.browser

PHONE = {"width": 360, "height": 780}
ROLES = ("tutor", "learner")
#: What the made-up studio has, by the names that the matrix uses; the learner is its second person.
THINGS = {"exercise", "learner", "take", "entry"}
#: They answer with a sound, a picture, a file or data.
NO_PAGES = (
    "music", "model", "sound", "abc", "musicxml", "mei", "midi", "pdf", "sheet", "library-music", "library-model",
    "listen-sound", "status", "music-lines", "timeline", "clip", "loudness", "pitch", "notes", "annotations",
    "measures", "model-clip", "sounds", "home",
)  # fmt: skip

#: Titles that say what neither words nor the accessible name say.
TITLES = """() => [...document.querySelectorAll('[title]')].filter((part) => {
  const said = `${part.textContent} ${part.getAttribute('aria-label') ?? ''} ${part.getAttribute('alt') ?? ''}`;
  return part.title && !said.toLowerCase().includes(part.title.toLowerCase());
}).map((part) => part.outerHTML.slice(0, 120))"""
#: Rules that bring something out under a pointer and not under the focus as well.
HOVERED = """() => {
  const reveals = /^(display|visibility|opacity|content|(max-)?(height|width)|transform|clip(-path)?|left|z-index)$/;
  const rules = (list) => [...list].flatMap((rule) => [rule, ...(rule.cssRules ? rules(rule.cssRules) : [])])
    .filter((rule) => rule.selectorText);
  return [...document.styleSheets].flatMap((sheet) => rules(sheet.cssRules))
    .filter((rule) => rule.selectorText.includes(':hover') && !rule.selectorText.includes(':focus'))
    .filter((rule) => [...rule.style].some((name) => reveals.test(name)))
    .map((rule) => rule.cssText);
}"""
#: What is too small for a thumb. A link among the words of a sentence is as high as its line.
SMALL = """() => {
  const pressed = 'a[href], button, input:not([type=hidden]), select, textarea, summary, audio[controls]';
  const among = (part) => getComputedStyle(part).display === 'inline'
    && [...part.parentElement.childNodes].some((node) => node.nodeType === 3 && node.textContent.trim().length > 1);
  const target = (part) => {
    const label = part.closest('label') ?? (part.id && document.querySelector(`label[for="${part.id}"]`));
    const small = part.matches('[type=checkbox], [type=radio], .visually-hidden');
    return small && label ? label : part;
  };
  return [...document.querySelectorAll(pressed)]
    .filter((part) => part.checkVisibility() && !among(part) && !part.matches('[aria-hidden=true][tabindex="-1"]'))
    .map((part) => ({ part, box: target(part).getBoundingClientRect() }))
    .filter(({ box }) => box.bottom > 0 && (box.width < 43.5 || box.height < 43.5))
    .map(({ part, box }) => `${Math.round(box.width)}x${Math.round(box.height)} ${part.outerHTML.slice(0, 120)}`);
}"""


def is_page(row: Row, role: str) -> bool:
    name = row.name.partition(":")[2] or "home"
    there = row.method == "get" and row.expected[PEOPLE.index(role)] == 200
    return there and set(row.args) <= THINGS and name not in NO_PAGES


PAGES = [(role, row) for role in ROLES for row in ROWS if is_page(row, role)]


class House:
    """A served studio, and its people at phones."""

    def __init__(self, people: dict[str, Person], things: dict[str, Any]) -> None:
        self.people, self.things = people, things

    def visit(self, role: str, row: Row) -> Person:
        person = self.people[role]
        person.complaints.clear()
        person.open(reverse(row.name, args=[self.things[name] for name in row.args]) + row.query.format(**self.things))
        person.page.wait_for_load_state("networkidle")
        return person


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    data = tmp_path_factory.mktemp("pages")
    keys = filled(data, "outside", "populate")
    take, _ = filled(data, "review_takes", "recorded", "2")
    things = {"exercise": keys["exercise"], "learner": 2, "take": take, "entry": next(iter(library.entries()))}
    with start_browser() as browser, Serving(data=data) as serving:
        people = {role: browser.person(serving.address, viewport=PHONE, phone=True) for role in ROLES}
        for role, person in people.items():
            session = {"name": "sessionid", "value": keys[role], "url": serving.address}
            person.page.context.add_cookies([session])
        yield House(people, things)


@pytest.mark.parametrize(("role", "row"), PAGES, ids=[f"{role} {row}" for role, row in PAGES])
def test_a_thumb_is_enough(house: House, role: str, row: Row) -> None:
    person = house.visit(role, row)
    assert person.page.locator("h1").count() == 1, "no page of ours"
    assert person.page.evaluate(TITLES) == []
    assert person.page.evaluate(HOVERED) == []
    assert person.page.evaluate(SMALL) == []
    person.check()
    assert [words for words in person.complaints if "(Forbidden)" not in words] == []  # what was heard is not deleted
