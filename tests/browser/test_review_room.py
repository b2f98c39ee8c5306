"""The review room in a real browser: one selection in all views, sound that really plays, loops that repeat the same
stretch, a timeline down to 30 ms, a beat that can be moved, two takes side by side."""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import pairwise
from typing import Any

import pytest

from tests.browser.chromium import Browser, Person, start_browser
from tests.browser.review_house import filled
from tests.studio.processes import Serving, wait_until

pytestmark = pytest.mark.browser

DESK = {"width": 1280, "height": 900}
PHONE = {"width": 360, "height": 780}


class Room:
    """A served studio with analysed takes of one exercise, the newest first."""

    def __init__(self, browser: Browser, serving: Serving, keys: dict[str, str], takes: list[str], long: str) -> None:
        self._browser, self._keys, self.address, self.takes, self.long = browser, keys, serving.address, takes, long

    def person(self, role: str = "tutor", *, viewport: dict[str, int] = DESK, phone: bool = False) -> Person:
        person = self._browser.person(self.address, viewport=viewport, phone=phone)
        person.page.context.add_cookies([{"name": "sessionid", "value": self._keys[role], "url": self.address}])
        return person

    def reviewing(self, role: str = "tutor", take: str = "", **window: Any) -> Person:
        person = self.person(role, **window)
        person.open(f"/takes/{take or self.takes[0]}/review/")
        person.page.wait_for_selector("#review[data-ready]")
        return person


@pytest.fixture(scope="module")
def room(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Room]:
    data = tmp_path_factory.mktemp("room")
    keys = filled(data, "outside", "populate")
    takes = filled(data, "review_takes", "recorded", "2")
    [long] = filled(data, "review_takes", "long", "400")
    with start_browser() as browser, Serving(data=data) as serving:
        yield Room(browser, serving, keys, takes, long)


def clock(person: Person) -> float:
    """Where in the take the sound is, in seconds."""
    return float(person.page.get_attribute("#clock", "data-seconds") or "nan")


def row(person: Person, index: int) -> Any:
    return person.page.locator(f"#movements li[data-movement='{index}'] > button")


def chosen_in_list(person: Person) -> int:
    return int(person.page.locator("#movements .is-chosen").get_attribute("data-movement") or -1)


def chosen_in_timeline(person: Person) -> int:
    return int(
        person.page.evaluate(
            """() => {
              const chart = document.querySelector('#timeline');
              const ring = document.querySelector('#timeline-ring').getBoundingClientRect();
              const trace = chart.data.find((one) => one.meta?.part === 'movements');
              const { xaxis } = chart._fullLayout;
              const at = ring.left + ring.width / 2 - chart.getBoundingClientRect().left - xaxis._offset;
              const away = trace.meta.at.map((seconds) => Math.abs(xaxis.l2p(seconds) - at));
              return ring.width ? trace.meta.indexes[away.indexOf(Math.min(...away))] : -1;
            }"""
        )
    )


def seen(person: Person, seconds: float) -> list[float]:
    """Where the sound was over so many seconds, forty times a second."""
    return list(
        person.page.evaluate(
            """async (ms) => {
              const clock = document.querySelector('#clock');
              const places = [];
              const end = performance.now() + ms;
              while (performance.now() < end) {
                places.push(Number(clock.dataset.seconds));
                await new Promise((go) => setTimeout(go, 25));
              }
              return places;
            }""",
            1000 * seconds,
        )
    )


def playing(person: Person, how: str) -> None:
    person.page.wait_for_selector(f".player[data-playing={how}]")


def test_one_selection_in_music_timeline_list_and_sound(room: Room) -> None:
    tutor = room.reviewing()
    row(tutor, 3).click()
    assert chosen_in_list(tutor) == chosen_in_timeline(tutor) == 3
    tutor.page.wait_for_selector("#music .movement.selected")
    assert tutor.page.get_attribute("#music .movement.selected", "data-movement") == "3"
    start = tutor.page.evaluate("JSON.parse(document.querySelector('#movements-data').textContent)[3].start_s")
    assert start - 0.6 < clock(tutor) < start
    # From the music.
    tutor.page.locator("#music [data-movement='7']").first.click()
    assert chosen_in_list(tutor) == chosen_in_timeline(tutor) == 7
    assert row(tutor, 7).is_visible()
    # By an address, as pages that point here have it.
    tutor.open(f"/takes/{room.takes[0]}/review/#movement-12")
    tutor.page.reload()
    tutor.page.wait_for_selector("#review[data-ready]")
    wait_until(lambda: chosen_in_timeline(tutor) == 12, "the chosen movement in the timeline")
    assert chosen_in_list(tutor) == 12
    assert tutor.complaints == []


def test_the_clock_of_the_take_advances_and_the_views_follow(room: Room) -> None:
    tutor = room.reviewing()
    row(tutor, 2).click()
    begin = clock(tutor)
    tutor.page.locator("#play").click()
    playing(tutor, "take")
    wait_until(lambda: clock(tutor) > begin + 0.3, "the take to play")
    places = seen(tutor, 2.5)
    assert places == sorted(places)
    assert 1.8 < places[-1] - places[0] < 3.0
    tutor.page.wait_for_selector("#movements .is-heard")
    tutor.page.wait_for_selector("#music .is-heard")
    assert tutor.page.evaluate("document.querySelector('#playhead').hidden") is False
    tutor.page.locator("#play").click()
    still = seen(tutor, 0.4)
    assert max(still) - min(still) < 0.06
    wait_until(lambda: tutor.page.locator("#movements .is-heard").count() == 0, "no movement to be marked")
    assert tutor.complaints == []


@pytest.mark.parametrize("speed", [1.0, 0.5, 0.125])
def test_the_loop_repeats_the_same_stretch_at_its_speed(room: Room, speed: float) -> None:
    tutor = room.reviewing()
    row(tutor, 3).click()
    tutor.page.locator(f"[data-speed='{speed:g}']").click()
    tutor.page.locator("#loop").click()
    tutor.page.locator("#play-movement").click()
    playing(tutor, "clip")
    sounds = tutor.page.evaluate(
        "fetch(document.querySelector('#review').dataset.sounds.replace('/0/', '/3/')).then((a) => a.json())"
    )
    length = sounds["end_s"] - sounds["start_s"]
    places = seen(tutor, min(8.0, 2.4 * length / speed))
    assert sounds["start_s"] - 0.01 <= min(places)
    assert max(places) <= sounds["end_s"] + 0.01
    steps = [later - earlier for earlier, later in pairwise(places) if later > earlier]
    assert sum(steps) / len(steps) == pytest.approx(0.025 * speed, rel=0.7)
    if speed > 0.2:
        back = [place for earlier, place in pairwise(places) if place < earlier - 0.5 * length]
        assert len(back) >= 2
        assert all(place < sounds["start_s"] + 0.15 for place in back)
    tutor.page.locator("#play").click()
    assert tutor.complaints == []


def test_the_model_and_the_last_clean_one_follow_right_after(room: Room) -> None:
    tutor = room.reviewing()
    said = tutor.page.locator("#player-words")
    row(tutor, 3).click()
    tutor.page.wait_for_function("() => !document.querySelector('#then').disabled")
    tutor.page.locator("#then").select_option("model")
    tutor.page.locator("#play-movement").click()
    playing(tutor, "clip")
    assert "This one" in said.inner_text()
    wait_until(lambda: "The model" in said.inner_text(), "the model")
    wait_until(lambda: tutor.page.get_attribute(".player", "data-playing") == "", "the end")
    clean = tutor.page.evaluate(
        "JSON.parse(document.querySelector('#movements-data').textContent).find((m) => m.verdict === 'clean').index"
    )
    row(tutor, clean).click()
    wait_until(lambda: "(" in (tutor.page.text_content("#then [value=clean]") or ""), "the last clean one's day")
    tutor.page.locator("#then").select_option("clean")
    tutor.page.locator("#play-movement").click()
    wait_until(lambda: "last clean one" in said.inner_text(), "the last clean one")
    assert tutor.complaints == []


def test_the_level_is_measured_while_it_sounds(room: Room) -> None:
    tutor = room.reviewing()
    row(tutor, 3).click()
    tutor.page.locator("#loop").click()
    tutor.page.locator("#play-movement").click()
    playing(tutor, "clip")
    wait_until(lambda: int(tutor.page.get_attribute("#level", "aria-valuenow") or 0) > 30, "a level")
    tutor.page.locator("#play").click()
    wait_until(lambda: tutor.page.get_attribute("#level", "aria-valuenow") == "0", "silence")


def shown(person: Person) -> float:
    return float(
        person.page.evaluate(
            "() => { const [a, b] = document.querySelector('#timeline')._fullLayout.xaxis.range; return b - a; }"
        )
    )


def test_close_up_lengths_are_read_and_the_ruler_measures(room: Room) -> None:
    tutor = room.reviewing()
    assert tutor.page.locator("#zoom-movement").is_disabled()  # nothing is chosen yet
    row(tutor, 3).click()

    def texts() -> list[str]:
        return list(tutor.page.locator("#timeline text").all_text_contents())

    assert not any(text.endswith(" ms") for text in texts())
    tutor.page.locator("#zoom-movement").click()
    wait_until(lambda: sum(text.endswith(" ms") for text in texts()) >= 2, "the gracenotes' lengths")
    tutor.page.locator("#timeline").focus()
    tutor.page.keyboard.press("m")
    assert "choose the second point" in tutor.page.inner_text("#ruler-words")
    tutor.page.wait_for_timeout(300)
    for _ in range(20):
        tutor.page.keyboard.press("ArrowRight")
    tutor.page.keyboard.press("m")
    told = re.match(r"(\d+) ms, ([\d.]+) of a beat", tutor.page.inner_text("#ruler-words"))
    assert told is not None
    assert 180 <= int(told.group(1)) <= 220
    assert float(told.group(2)) == pytest.approx(int(told.group(1)) / 1000, abs=0.02)  # 60 beats a minute
    for _ in range(9):
        tutor.page.locator("#zoom-in").click()
    wait_until(lambda: shown(tutor) == pytest.approx(0.03, abs=0.001), "30 ms")
    # A sound that begins and ends beyond both edges is there.
    sounding = """() => {
      const chart = document.querySelector('#timeline');
      const [from, to] = chart._fullLayout.xaxis.range;
      const sounds = chart.data.filter((one) => one.meta?.starts);
      return sounds.some((one) => one.x.some((at, n) => at <= from && one.x[n + 1] >= to));
    }"""
    assert tutor.page.evaluate(sounding)
    # So is a gracenote's length where the gracenote is longer than the screen is wide.
    middle = """() => {
      const { meta } = document.querySelector('#timeline').data.find((one) => one.meta?.part === 'gracenote');
      const number = meta.ms.indexOf(Math.max(...meta.ms));
      return [meta.starts[number] + 0.2 * meta.ms[number] / 1000, meta.ms[number]];
    }"""
    place, longest = tutor.page.evaluate(middle)
    assert longest > 31
    tutor.page.locator("#seek").evaluate(
        "(seek, place) => { seek.value = place; seek.dispatchEvent(new Event('input')); }", place
    )
    tutor.page.locator("#zoom-all").click()
    for _ in range(16):
        tutor.page.locator("#zoom-in").click()
    wait_until(lambda: shown(tutor) == pytest.approx(0.03, abs=0.001), "30 ms")
    wait_until(lambda: f"{round(longest)} ms" in texts(), "the length of what goes beyond the screen")
    tutor.check()
    assert tutor.complaints == []


def sent(person: Person, ending: str) -> dict[str, int]:
    """Bytes of the page, or of what it asked for under this ending: over the line, and unpacked."""
    return dict(
        person.page.evaluate(
            """(ending) => {
              const asked = performance.getEntriesByType(ending ? 'resource' : 'navigation');
              const found = asked.find((one) => new URL(one.name).pathname.endsWith(ending));
              return { line: found.encodedBodySize, bytes: found.decodedBodySize };
            }""",
            ending,
        )
    )


@pytest.mark.parametrize(("viewport", "phone"), [(DESK, False), (PHONE, True)])
def test_of_a_long_take_only_what_is_looked_at_is_drawn(room: Room, viewport: dict[str, int], phone: bool) -> None:
    tutor = room.reviewing(take=room.long, viewport=viewport, phone=phone)
    page = tutor.page
    for ending, line, most in (("", 40_000, 500_000), ("/timeline.json", 40_000, 120_000)):
        came = sent(tutor, ending)
        assert came["line"] < line
        assert came["bytes"] < most
    page.wait_for_selector("#music .music-line svg")
    lines, drawn = page.locator("#music .music-line").count(), page.locator("#music .music-line svg").count()
    assert 2 <= drawn <= lines / 4
    assert page.evaluate("document.querySelectorAll('#timeline *').length") < 400
    # Chosen far off, it is drawn, marked and brought into sight.
    page.locator("#show").select_option("faults")
    row(tutor, 394).click()
    page.wait_for_selector("#music .movement.selected[data-movement='394']")
    wait_until(
        lambda: page.evaluate(
            """() => {
              const box = document.querySelector('#music').getBoundingClientRect();
              const part = document.querySelector('#music .selected').getBoundingClientRect();
              return part.top >= box.top && part.bottom <= box.bottom;
            }"""
        ),
        "the chosen movement in sight",
    )
    assert chosen_in_timeline(tutor) == 394
    page.locator("#zoom-movement").click()
    wait_until(lambda: shown(tutor) < 2, "a close look")
    wait_until(lambda: "late" in page.locator("#timeline text").all_text_contents(), "the movement's word")
    page.locator("#zoom-all").click()
    wait_until(lambda: shown(tutor) > 170, "the whole take")
    assert page.evaluate("document.querySelectorAll('#timeline *').length") < 400
    tutor.check()
    assert tutor.complaints == []


def test_pointing_at_the_timeline_says_what_it_is(room: Room) -> None:
    tutor = room.reviewing()
    row(tutor, 3).click()
    tutor.page.locator("#zoom-movement").click()
    wait_until(lambda: shown(tutor) < 3, "a close look")
    tutor.page.locator("#timeline").scroll_into_view_if_needed()
    said = tutor.page.locator("#timeline .hoverlayer text")
    for part, words in (("movements", "oubling on E"), ("gracenote", "gracenote, ")):
        place = tutor.page.evaluate(
            """(part) => {
              const chart = document.querySelector('#timeline');
              const { xaxis, yaxis } = chart._fullLayout;
              const { meta } = chart.data.find((one) => one.meta?.part === part);
              const number = (meta.at ?? meta.starts).findIndex((at) => at > xaxis.range[0] + 0.05);
              const box = chart.getBoundingClientRect();
              const lane = meta.lanes ? meta.lanes[number] : meta.y;
              const at = (meta.at ?? meta.starts)[number];
              return [box.left + xaxis._offset + xaxis.l2p(at), box.top + yaxis._offset + yaxis.l2p(lane)];
            }""",
            part,
        )
        tutor.page.mouse.move(place[0] - 3, place[1])
        tutor.page.mouse.move(*place, steps=3)
        wait_until(lambda words=words: words in "".join(said.all_text_contents()), words)
    # Once another place is shown, what was said of the old one is gone.
    tutor.page.locator("#zoom-in").evaluate("(button) => button.click()")
    wait_until(lambda: said.count() == 0, "nothing said of what is elsewhere now")
    assert tutor.complaints == []


def test_from_one_of_many_movements_to_its_note_and_back_by_single_keys(room: Room) -> None:
    tutor = room.reviewing(take=room.long)
    keys = tutor.page.keyboard
    row(tutor, 200).focus()
    keys.press("n")
    keys.type("nearly")
    assert tutor.page.input_value("#note-text") == "nearly"
    assert chosen_in_list(tutor) == 200
    assert tutor.page.input_value("#note-target") == "movement"
    keys.press("Escape")
    assert row(tutor, 200).evaluate("(button) => button === document.activeElement")
    assert tutor.page.input_value("#note-text") == "nearly"
    keys.press("ArrowDown")
    assert chosen_in_list(tutor) == 201
    assert tutor.complaints == []


def test_nothing_that_opens_makes_a_phone_scroll_sideways(room: Room) -> None:
    tutor = room.reviewing(viewport=PHONE, phone=True)
    row(tutor, 3).tap()
    # As on a desk: what a phone does not offer stays closed.
    for summary in tutor.page.locator("summary:visible").all():
        summary.evaluate("(summary) => { summary.parentElement.open = true; }")
    tutor.page.locator("#answer-open").tap()
    tutor.page.select_option("#note-target", "stretch")
    assert tutor.page.locator("#beat-source").is_visible()
    tutor.check()


def test_sound_that_cannot_be_had_is_said_plainly_and_comes_with_the_connection(room: Room) -> None:
    tutor = room.reviewing()
    tutor.page.context.set_offline(True)
    row(tutor, 5).click()
    tutor.page.locator("#play-movement").click()
    said = "The sound could not be loaded. Check the connection and try again."
    tutor.page.locator("#player-words", has_text=said).wait_for()
    assert tutor.page.inner_text("#player-words") == said
    tutor.page.context.set_offline(False)
    tutor.page.locator("#play-movement").click()
    playing(tutor, "clip")


def test_the_pitch_comes_on_demand(room: Room) -> None:
    tutor = room.reviewing()
    tutor.page.locator("#pitch").click()
    assert "Zoom in" in tutor.page.inner_text("#pitch-words")
    row(tutor, 3).click()
    tutor.page.locator("#zoom-movement").click()
    points = "document.querySelector('#timeline').data.find((one) => one.meta?.part === 'pitch').x.length"
    wait_until(lambda: tutor.page.evaluate(points) > 20, "the pitch")
    tutor.page.locator("#pitch").click()
    wait_until(lambda: tutor.page.evaluate(points) == 0, "no pitch")
    assert tutor.complaints == []


def test_a_tutor_moves_the_beat_and_all_is_judged_anew(room: Room) -> None:
    tutor = room.reviewing()
    before = tutor.page.inner_text(".review-count")
    tutor.page.locator(".beat-change summary").click()
    tutor.page.fill("#beat-shift", "-200")
    tutor.page.get_by_role("button", name="Measure by it").click()
    tutor.page.wait_for_selector("#review[data-ready]")
    assert tutor.page.inner_text(".review-count") != before
    assert "200 ms earlier" in tutor.page.inner_text("#timeline-words")
    tutor.check()
    tutor.page.fill("#beat-shift", "0")
    tutor.page.get_by_role("button", name="Measure by it").click()
    tutor.page.wait_for_selector("#review[data-ready]")
    assert tutor.page.inner_text(".review-count") == before
    learner = room.reviewing("learner")
    assert learner.page.locator(".beat-change").count() == 0


@pytest.mark.parametrize(("viewport", "phone"), [(DESK, False), (PHONE, True)])
def test_two_takes_side_by_side(room: Room, viewport: dict[str, int], phone: bool) -> None:
    person = room.reviewing("learner", viewport=viewport, phone=phone)
    person.check()
    person.page.get_by_role("link", name="Compare takes").click()
    person.page.wait_for_selector(".bars .strip")
    assert person.page.locator(".bars > li").count() >= 6
    assert person.page.locator(".multiples > li").count() == 2
    person.check()
    person.page.locator("#movement").select_option(index=2)
    person.page.get_by_role("button", name="Show").click()
    person.page.wait_for_selector(".multiples .strip")
    person.check()
    assert person.complaints == []
