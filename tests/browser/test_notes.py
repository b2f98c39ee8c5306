"""Notes, recorded answers and the tutor's word in real browsers: two people at one take, and what must not be lost."""

from __future__ import annotations

import time
from collections.abc import Iterator
from typing import Any

import pytest

from tests.browser.chromium import start_browser
from tests.browser.test_mishaps import MICROPHONE, House, pin
from tests.studio.processes import Serving, wait_until
from tests.studio.test_worker import Place

pytestmark = pytest.mark.browser

PHONE = {"width": 360, "height": 780}
#: Other people's notes appear within this.
SOON_MS = 10_000
MARKS = "() => document.querySelector('#timeline').data.find((trace) => trace.meta?.part === 'pinned').x.length"


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    place = Place(tmp_path_factory.mktemp("notes"))
    keys = place.outside("populate")
    [take] = place.outside("takes", "1")
    with start_browser(*MICROPHONE) as browser, Serving(data=place.data, **place.told("quick")) as serving:
        wait_until(lambda: place.states() == {"ready": 1}, "the report")
        yield House(browser, serving, keys, take)


@pytest.fixture(autouse=True)
def windows_closed(house: House) -> Iterator[None]:
    """No window of one test asks for news while the next one is run."""
    yield
    house.close_all()


def against_policy(person: Any) -> list[str]:
    """What the page did that its policy forbids, or that broke; made-up sound cannot be loaded, which is told too."""
    return [words for words in person.complaints if "Failed to load resource" not in words]


def choose(page: Any, movement: int) -> None:
    page.locator("#movements .movement-row").nth(movement).click()


def note(page: Any, words: str) -> Any:
    return page.locator("#notes .note", has_text=words)


def test_a_note_on_all_from_low_a_is_drawn_everywhere_for_both(house: House) -> None:
    tutor, learner = house.reviewing("tutor"), house.reviewing("learner")
    page = tutor.page
    row = page.locator('#movements li[data-approach="low A"]').first
    count = page.locator('#movements li[data-approach="low A"]').count()
    row.locator("button").click()
    page.select_option("#note-target", label=f"all {count} from low A")
    page.fill("#note-text", "Lift together.")
    page.get_by_role("button", name="Pin note").click()
    pinned_at = time.monotonic()
    note(learner.page, "Lift together.").wait_for(timeout=SOON_MS)
    assert time.monotonic() - pinned_at < SOON_MS / 1000
    for person in (tutor, learner):
        shown = note(person.page, "Lift together.")
        assert f"all {count} from low A" in shown.text_content()
        assert shown.locator(".note-places button").count() == count
        assert person.page.locator(".noted:visible").count() == count
        assert person.page.evaluate(MARKS) == count
        person.page.locator("#music").scroll_into_view_if_needed()  # it is drawn when it comes near
        person.page.locator("#music .note-mark").first.wait_for(state="attached")
        assert person.page.locator("#music .note-mark").count() == count
        # At the foot of the movement, and of one size: above the staff the triangles mark the beats.
        below = """(marks) => marks.map((mark) => {
          const [own, ground] = [mark.getBBox(), mark.parentNode.querySelector('.movement-ground').getBBox()];
          return own.y > ground.y + 0.8 * ground.height && own.y + own.height <= ground.y + ground.height;
        })"""
        assert all(person.page.locator("#music .note-mark").evaluate_all(below))
    assert page.locator("#notes .note", has_text="not read yet").count() == 1
    page.locator("#notes .note", has_text=", read").wait_for(timeout=SOON_MS + 5_000)
    assert not against_policy(tutor) + against_policy(learner)


def test_spots_and_stretches_keep_their_place(house: House) -> None:
    page = house.reviewing("tutor").page
    choose(page, 4)
    page.select_option("#note-target", "stretch")
    page.fill("#note-from", "3.0")
    page.fill("#note-to", "2.0")
    page.fill("#note-text", "Even breath.")
    page.get_by_role("button", name="Pin note").click()
    page.locator("#note-error", has_text="ends before it begins").wait_for()
    assert page.input_value("#note-text") == "Even breath."
    page.fill("#note-to", "8.5")
    page.get_by_role("button", name="Pin note").click()
    assert "from 3.0 to 8.5 s" in note(page, "Even breath.").text_content()
    lines = "() => document.querySelector('#timeline').data.find((t) => t.meta?.part === 'pinned-stretch').x"
    assert page.evaluate(lines) == [3.0, 8.5, None]
    page.select_option("#note-target", "spot")
    page.fill("#note-text", "This very spot.")
    page.get_by_role("button", name="Pin note").click()
    assert "at " in note(page, "This very spot.").locator(".note-place").text_content()


@pytest.mark.parametrize("window", [{"width": 1280, "height": 800}, PHONE, {"width": 360, "height": 640}])
def test_an_address_that_names_a_note_brings_it_out_from_under_the_player(house: House, window: Any) -> None:
    page = house.reviewing("tutor").page
    choose(page, 3)
    words = f"Found by its address in {window['width']} by {window['height']}."
    page.fill("#note-text", words)
    page.get_by_role("button", name="Pin note").click()
    named = note(page, words).get_attribute("data-note")
    page.set_viewport_size(window)
    page.goto("about:blank")
    page.goto(f"{house.address}{house.review}#note-{named}")
    page.wait_for_selector("#review[data-ready]")
    stands_clear = """(id) => {
      const { top, bottom } = document.querySelector(`[data-note="${id}"]`).getBoundingClientRect();
      return top >= 0 && bottom <= document.querySelector(".player").getBoundingClientRect().top;
    }"""
    page.wait_for_function(stands_clear, arg=named)
    # Not only for a moment: what comes later above it pushes it down, and it is brought back.
    page.evaluate("document.querySelector('#music').style.minHeight = '40rem'")
    page.evaluate("() => new Promise((go) => requestAnimationFrame(() => requestAnimationFrame(go)))")
    page.wait_for_timeout(1000)  # for a scroll that goes smoothly
    assert page.evaluate(stands_clear, named)
    # From the first touch on, it is left where the person puts it.
    page.mouse.move(100, 100)
    page.mouse.wheel(0, -300)
    page.wait_for_timeout(500)
    left_at = page.evaluate("scrollY")
    page.evaluate("document.querySelector('.by-approach').style.minHeight = '90rem'")
    page.wait_for_timeout(300)
    assert page.evaluate("scrollY") == left_at


def test_on_a_phone_what_the_player_says_of_a_movement_is_not_cut(house: House) -> None:
    page = house.reviewing("tutor").page
    page.set_viewport_size(PHONE)
    page.goto(f"{house.address}{house.review}#movement-3")
    page.reload()
    page.wait_for_selector("#review[data-ready]")
    page.evaluate("scrollTo(0, 0)")
    line = page.locator("#player-chosen")
    line.wait_for()
    line.evaluate("(line) => { line.textContent = 'Doubling on E from low A: ' + 'heavy gracenote, '.repeat(8); }")
    heights = "(line) => [line.scrollWidth - line.clientWidth, line.scrollHeight - line.clientHeight]"
    assert line.evaluate(heights) == [0, 0]
    inside = page.evaluate("innerHeight - document.querySelector('#player-chosen').getBoundingClientRect().bottom")
    assert inside >= 0
    # However high the player has become, the focus does not go under it.
    free = "parseFloat(getComputedStyle(document.documentElement).scrollPaddingBottom)"
    page.wait_for_function(f"() => {free} >= document.querySelector('.player').offsetHeight")


def test_a_draft_outlives_a_closed_tab_and_a_lost_connection(house: House) -> None:
    page = house.reviewing("tutor").page
    choose(page, 6)
    page.select_option("#note-target", "stretch")
    page.fill("#note-from", "1.5")
    page.fill("#note-to", "2.5")
    page.fill("#note-text", "Half a thought")
    page.close()
    page = page.context.new_page()
    page.goto(house.address + house.review)
    page.wait_for_selector("#review[data-ready]")
    assert page.input_value("#note-text") == "Half a thought"
    assert (page.input_value("#note-from"), page.input_value("#note-to")) == ("1.5", "2.5")
    assert page.locator("#movements li.is-chosen").get_attribute("data-movement") == "6"

    page.context.set_offline(True)
    page.get_by_role("button", name="Pin note").click()
    page.locator("#note-error", has_text="No connection").wait_for()
    assert page.input_value("#note-text") == "Half a thought"
    page.context.set_offline(False)
    page.get_by_role("button", name="Pin note").click()
    assert "from 1.5 to 2.5 s" in note(page, "Half a thought").text_content()
    page.reload()
    page.wait_for_selector("#review[data-ready]")
    assert page.input_value("#note-text") == ""


def test_quick_phrases_are_kept_used_and_removed(house: House) -> None:
    page = house.reviewing("tutor").page
    choose(page, 1)
    page.fill("#note-text", "Slower, and hold low A.")
    page.get_by_role("button", name="Keep as a quick phrase").click()
    phrase = page.locator("#phrases").get_by_role("button", name="Slower, and hold low A.", exact=True)
    phrase.wait_for()
    page.fill("#note-text", "Better.")
    phrase.click()
    assert page.input_value("#note-text") == "Better. Slower, and hold low A."
    page.get_by_role("button", name="Pin note").click()
    note(page, "Better. Slower, and hold low A.").wait_for()
    page.reload()
    page.wait_for_selector("#review[data-ready]")
    page.get_by_role("button", name="Remove phrases").click()
    page.get_by_role("button", name="Remove “Slower, and hold low A.”").click()
    page.locator("#phrases").wait_for(state="hidden")


def test_threads_edits_undo_and_news(house: House) -> None:
    tutor, learner = house.reviewing("tutor"), house.reviewing("learner")
    pin(tutor, "First words.", 7)
    asked = note(learner.page, "First words.")
    asked.wait_for(timeout=SOON_MS)
    assert asked.locator(".chip-new").is_visible()
    asked.get_by_role("button", name="Answer").click()
    learner.page.fill(".note-inline textarea", "Like this?")
    learner.page.get_by_role("button", name="Send answer").click()
    mine = note(tutor.page, "First words.")
    mine.locator(".note-answer", has_text="Like this?").wait_for(timeout=SOON_MS)
    mine.get_by_role("button", name="Edit").first.click()
    tutor.page.fill(".note-inline textarea", "Other words.")
    tutor.page.get_by_role("button", name="Save").click()
    note(learner.page, "Other words.").wait_for(timeout=SOON_MS)
    assert "edited" in note(learner.page, "Other words.").inner_text()
    note(tutor.page, "Other words.").get_by_role("button", name="Delete").first.click()
    note(tutor.page, "Other words.").wait_for(state="detached")
    tutor.page.locator("#undo").get_by_role("button", name="Undo").click()
    back = note(tutor.page, "Other words.")
    back.locator(".note-answer", has_text="Like this?").wait_for()
    # Once it was read and the page is open anew, it can be marked as new, to come back to it.
    learner.page.wait_for_timeout(2500)
    learner.page.reload()
    learner.page.wait_for_selector("#review[data-ready]")
    again = note(learner.page, "Other words.")
    assert again.locator(".chip-new").count() == 0
    again.get_by_role("button", name="Mark as new").click()
    again.locator(".chip-new").wait_for()
    learner.page.wait_for_timeout(2500)  # longer than what is on the screen takes to count as read
    learner.page.reload()
    learner.page.wait_for_selector("#review[data-ready]")
    note(learner.page, "Other words.").locator(".chip-new").wait_for()


def test_what_is_heard_is_not_pulled_away_by_news(house: House) -> None:
    tutor, learner = house.reviewing("tutor"), house.reviewing("learner")
    pin(tutor, "Stays where it is.", 8)
    note(learner.page, "Stays where it is.").wait_for(timeout=SOON_MS)
    learner.page.wait_for_timeout(7500)  # by then it counts as read, and the page has asked again
    item = note(learner.page, "Stays where it is.").element_handle()
    pin(tutor, "And this is new.", 9)
    note(learner.page, "And this is new.").wait_for(timeout=SOON_MS)
    assert item.evaluate("(item) => item.isConnected")


def test_the_tutor_overrules_and_everything_follows(house: House) -> None:
    tutor = house.reviewing("tutor")
    page = tutor.page
    count = page.inner_text("#clean-count")
    clean = int(count.split()[0])
    shown = page.locator("#show option").all_text_contents()
    row = page.locator('#movements li[data-verdict="fault"]').first
    index = row.get_attribute("data-movement")
    row.locator("button").click()
    page.locator("#overrule summary").click()
    faults = page.locator("#overrule-flags li").count()
    for number in range(faults):
        page.locator("#overrule-flags li").nth(number).get_by_role("button", name="Not so").click()
        page.locator("#overrule-flags [aria-pressed=true]").nth(number).wait_for()
    row = page.locator(f'#movements li[data-movement="{index}"]')
    assert row.get_attribute("data-verdict") == "clean"
    assert row.locator(".struck s").count() == faults
    assert page.inner_text("#clean-count") == f"{clean + 1} of 15"
    # Whoever chooses what the list shows is told by the tutor's word as well.
    assert page.locator("#show option").all_text_contents() != shown
    row_words = page.locator("#approaches tr").evaluate_all(
        "(rows) => rows.map((row) => `from ${row.cells[0].textContent}: ${row.cells[1].textContent}`)"
    )
    assert page.locator('#show option[value^="from:"]').all_text_contents() == row_words
    told = "(index) => { const t = document.querySelector('#timeline').data.find((d) => d.meta?.part === 'movements');"
    told += " return t.meta.verdicts[(t.meta.indexes ?? t.customdata).indexOf(Number(index))]; }"
    assert page.evaluate(told, index) == "clean"
    assert (page.text_content("#player-chosen") or "").endswith(": clean")
    assert "by the tutor’s word" in page.locator(f'.chosen-one[data-movement="{index}"]').inner_text()
    page.locator('[data-say="back"]').evaluate("(back) => back.scrollIntoView({ block: 'center' })")  # off the player
    tutor.check()
    page.reload()
    page.wait_for_selector("#review[data-ready]")
    assert page.inner_text("#clean-count") == f"{clean + 1} of 15"
    page.locator(f'#movements li[data-movement="{index}"] button').click()
    page.locator("#overrule summary").click()
    page.get_by_role("button", name="Back to the analysis’s own view").click()
    page.locator("#clean-count", has_text=count).wait_for()

    page.select_option("#overrule-add", label="uneven")
    page.get_by_role("button", name="Add", exact=True).click()
    added = page.locator(f'#movements li[data-movement="{index}"] .chip-fault', has_text="uneven")
    added.locator(".by-tutor").wait_for()
    page.get_by_role("button", name="10 ms later").click()
    page.locator(".tutors-word li", has_text="its beat is 10 ms later").wait_for()
    page.select_option("#overrule-kind", "strike")
    page.select_option("#overrule-form", "")
    page.get_by_role("button", name="Correct", exact=True).click()
    page.locator(".tutors-word:visible li", has_text="Heard by the analysis as").wait_for()
    page.get_by_role("button", name="Back to the analysis’s own view").click()
    page.locator("#clean-count", has_text=count).wait_for()
    tutor.open("/agreement/")
    tutor.check()
    assert not against_policy(tutor)


def test_everything_within_reach_on_a_small_phone(house: House) -> None:
    tutor = house.reviewing("tutor")
    page = tutor.page
    page.set_viewport_size(PHONE)
    choose(page, 3)
    page.locator("#overrule summary").click()
    page.select_option("#note-target", "stretch")
    page.get_by_role("button", name="Play or say it").click()
    tutor.check()
    small = page.locator("#note-form button:visible, #overrule button:visible, #note-form select:visible").evaluate_all(
        "(all) => all.filter((part) => part.getBoundingClientRect().height < 43.5).map((part) => part.outerHTML)"
    )
    assert small == []


def record(page: Any, seconds: float) -> None:
    page.get_by_role("button", name="Play or say it").first.click()
    page.get_by_role("button", name="Record", exact=True).click()
    page.get_by_role("button", name="Stop", exact=True).wait_for()
    page.wait_for_timeout(1000 * seconds)
    page.get_by_role("button", name="Stop", exact=True).click()
    page.get_by_role("button", name="Pin recording").wait_for()


def test_a_recorded_answer_outlives_a_reload_and_arrives(house: House) -> None:
    tutor, learner = house.reviewing("tutor"), house.reviewing("learner")
    page = tutor.page
    choose(page, 3)
    page.fill("#note-text", "Listen to mine.")
    record(page, 1.5)
    page.reload()
    page.wait_for_selector("#review[data-ready]")
    page.locator("#answer-words", has_text="from before").wait_for()
    page.get_by_role("button", name="Pin recording").click()
    shown = note(learner.page, "Listen to mine.")
    shown.locator("audio").wait_for(timeout=SOON_MS + 10_000)
    shown.get_by_role("button", name="Show it under the take").click()
    shown.locator("figure.beside-panel").nth(1).wait_for()
    learner.check()
    learner.page.set_viewport_size(PHONE)
    learner.check()
    assert page.input_value("#note-text") == ""
    page.reload()
    page.wait_for_selector("#review[data-ready]")
    page.wait_for_timeout(500)
    assert page.locator("#answer-candidate").is_hidden()


def test_a_question_is_answered_by_playing(house: House) -> None:
    tutor, learner = house.reviewing("tutor"), house.reviewing("learner")
    pin(learner, "How does it go?", 5)
    asked = note(tutor.page, "How does it go?")
    asked.wait_for(timeout=SOON_MS)
    asked.get_by_role("button", name="Answer").click()
    asked.get_by_role("button", name="Play or say it").click()
    assert tutor.page.locator("#note-target option:checked").inner_text() == "an answer to learner"
    tutor.page.get_by_role("button", name="Record", exact=True).click()
    tutor.page.get_by_role("button", name="Stop", exact=True).wait_for()
    tutor.page.wait_for_timeout(1200)
    tutor.page.get_by_role("button", name="Stop", exact=True).click()
    tutor.page.get_by_role("button", name="Pin recording").click()
    note(learner.page, "How does it go?").locator(".note-answer audio").wait_for(timeout=SOON_MS + 10_000)


def test_a_changed_verdict_is_told_within_ten_seconds_and_shown_without_losing_a_draft(house: House) -> None:
    tutor, learner = house.reviewing("tutor"), house.reviewing("learner")
    rory = learner.page
    notice = rory.locator("#judged")
    fault = rory.locator('#movements li[data-verdict="fault"]').first
    index = fault.get_attribute("data-movement")
    row = rory.locator(f'#movements li[data-movement="{index}"]')
    flags = row.locator(".chip-fault").count()
    row.locator("button").click()
    rory.fill("#note-text", "But I thought")
    tutor.page.locator(f'#movements li[data-movement="{index}"] > button').click()
    tutor.page.locator("#overrule summary").click()
    tutor.page.get_by_role("button", name="Not so").first.click()
    notice.wait_for(timeout=SOON_MS)
    assert row.locator(".chip-fault").count() == flags  # nothing moves by itself
    assert rory.input_value("#note-text") == "But I thought"
    learner.check()
    rory.get_by_role("button", name="Show", exact=True).click()
    rory.wait_for_selector("#review[data-ready]")
    wait_until(lambda: row.locator(".struck").count() == 1, "the tutor's word")
    assert row.get_attribute("class") == "is-chosen"
    assert rory.input_value("#note-text") == "But I thought"
    rory.wait_for_timeout(6000)
    assert notice.is_hidden()
    assert tutor.page.locator("#judged").is_hidden()  # who said it sees it already
    assert not against_policy(tutor) + against_policy(learner)
