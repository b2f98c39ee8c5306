"""The review room: its page, its timeline, its pinned notes, and its words."""

import copy
import gzip
import json
import os
import re
import subprocess
import sys
from typing import get_args
from xml.etree import ElementTree

import pytest
from django.conf import settings
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from analysis.chanter import LABELS
from analysis.judgement import Tolerances, judge, summarise
from analysis.report import FLAGS, BeatSource
from studio.exercises import rendered
from studio.review import music_lines, services, timeline, wording
from studio.review.models import NoteRead, PinnedNote
from studio.review.services import NoteError

pytestmark = pytest.mark.django_db


@pytest.fixture
def address(ready_take):
    return lambda name: reverse(f"review:{name}", args=[ready_take.pk])


def post(client, url, data, method="post"):
    return getattr(client, method)(url, data=json.dumps(data), content_type="application/json")


# The page


def test_the_page_shows_every_movement_in_words(client_for, tutor, ready_take, address):
    page = client_for(tutor).get(address("take")).content.decode()
    assert "Doubling on E: single then full" in page
    assert "9 of 15" in page
    for movement in ready_take.report["movements"]:
        assert wording.movement_name(movement) in page
    assert "clicks heard in the take" in page
    assert 'data-movement="14"' in page


def test_opening_marks_the_take_as_heard_for_tutors_only(client_for, tutor, learner, ready_take, address):
    client_for(learner).get(address("take"))
    ready_take.refresh_from_db()
    assert ready_take.heard_at is None
    client_for(tutor).get(address("take"))
    ready_take.refresh_from_db()
    first = ready_take.heard_at
    assert first is not None
    client_for(tutor).get(address("take"))
    ready_take.refresh_from_db()
    assert ready_take.heard_at == first


def test_only_tutors_are_offered_to_set_next_week(client_for, tutor, learner, ready_take, address):
    plan = reverse("week:plan", args=[learner.pk]) + f"?take={ready_take.pk}"
    assert plan in client_for(tutor).get(address("take")).content.decode()
    assert plan not in client_for(learner).get(address("take")).content.decode()


def test_whoever_may_delete_the_take_finds_the_way(client_for, tutor, learner, ready_take, address):
    link = reverse("takes:delete", args=[ready_take.pk])
    assert link in client_for(learner).get(address("take")).content.decode()
    assert link in client_for(tutor).get(address("take")).content.decode()
    assert link not in client_for(learner).get(address("take")).content.decode()  # the tutor has heard it now


def test_the_page_itself_brings_what_list_and_notes_need(client_for, tutor, ready_take, address):
    services.pin(ready_take, tutor, "</script><b>", movement_index=3)
    page = client_for(tutor).get(address("take")).content.decode()
    told = {
        name: json.loads(data)
        for name, data in re.findall(r'<script id="(\w+)-data" type="application/json">(.*?)</script>', page)
    }
    assert [movement["index"] for movement in told["movements"]] == list(range(15))
    assert all(movement["sentences"] for movement in told["movements"])
    assert told["notes"] == client_for(tutor).get(address("notes")).json()["notes"]


@pytest.mark.parametrize("name", ["take", "timeline", "music-lines", "music"])
def test_what_is_large_is_sent_compressed(client_for, tutor, address, name):
    plain, small = (
        client_for(tutor).get(address(name), headers={"Accept-Encoding": encoding}) for encoding in ("identity", "gzip")
    )
    assert small.headers["Content-Encoding"] == "gzip"
    assert len(small.content) < 0.4 * len(plain.content)
    assert "private" in small.headers.get("Cache-Control", "private")


def test_the_page_names_every_script_that_it_will_need(client_for, tutor, address):
    page = client_for(tutor).get(address("take")).content.decode()
    named = set(re.findall(r'<link rel="modulepreload" href="/static/js/(\w+\.js)">', page))
    folder = settings.BASE_DIR / "static" / "js"
    needed, known = {"review.js"}, set()
    while needed:
        known |= needed
        words = "".join((folder / name).read_text(encoding="utf-8") for name in needed)
        needed = set(re.findall(r'from "\./(\w+\.js)"', words)) - known
    assert named == known
    assert len(named) > 15


def test_nothing_is_sent_twice(client_for, tutor, address):
    page = client_for(tutor).get(address("take")).content.decode()
    measured = json.loads(re.search(r'id="movements-data" type="application/json">(.*?)</script>', page)[1])
    longest = max((text for move in measured for text in move["sentences"]), key=len)
    assert page.count(json.dumps(longest)[1:-1]) == 1
    assert set(client_for(tutor).get(address("timeline")).json()) == {"figure", "duration_s", "beats_s"}


def test_asking_for_notes_leaves_the_report_alone(client_for, tutor, ready_take, address):
    client = client_for(tutor)
    with CaptureQueriesContext(connection) as asked:
        assert client.get(address("notes")).status_code == 200
    assert not any('"takes_take"."report",' in query["sql"] for query in asked)


def test_a_take_that_is_not_ready_is_waited_for(client_for, learner, ready_take, address):
    type(ready_take).objects.filter(pk=ready_take.pk).update(state="queued")
    answer = client_for(learner).get(address("take"))
    assert answer.status_code == 302
    assert answer.url == reverse("takes:take", args=[ready_take.pk])
    assert client_for(learner).get(address("timeline")).status_code == 404


def test_free_playing_has_no_music_and_still_a_page(client_for, tutor, ready_take, address):
    report = copy.deepcopy(ready_take.report)
    for movement in report["movements"]:
        movement.update(bar=None, beat=None, written_index=None)
    ready_take.report, ready_take.abc, ready_take.exercise = report, "", None
    ready_take.save()
    page = client_for(tutor).get(address("take")).content.decode()
    assert "Free playing" in page
    assert 'id="music"' not in page
    assert client_for(tutor).get(address("music")).status_code == 404


def test_a_take_without_movements_says_so_and_counts_nothing(client_for, tutor, ready_take, address):
    ready_take.exercise, ready_take.abc = None, ""
    ready_take.report = judge({**ready_take.report, "movements": []}, Tolerances())
    ready_take.report.pop("comparison", None)
    ready_take.save()
    page = client_for(tutor).get(address("take")).content.decode()
    assert "No movements were heard in this take, only theme notes." in page
    assert '<p class="review-count" hidden>' in page
    assert '<div class="filters" hidden>' in page
    for useless in ("0 of 0 movements", "Choose a movement", "By the note approached from"):
        assert useless not in page


def test_the_music_is_the_takes_own_drawn_for_the_asked_width(client_for, learner, ready_take, exercise, address):
    exercise.abc = "X:1\nT:Another\nM:4/4\nL:1/4\nQ:1/4=60\nK:HP\n{g}A4 |]\n"
    exercise.save()
    client = client_for(learner)
    assert f'data-lines="{address("music-lines")}"' in client.get(address("take")).content.decode()
    narrow, wide = (client.get(address("music"), {"width": width}) for width in ("360", "1120"))
    assert narrow["Content-Type"] == wide["Content-Type"] == "image/svg+xml"
    assert narrow.content != wide.content
    assert narrow.content.decode().count("data-movement=") == wide.content.decode().count("data-movement=") == 15
    assert client.get(address("music"), {"width": "360"}, headers={"If-None-Match": narrow["ETag"]}).status_code == 304


def test_the_music_comes_line_by_line_as_well(client_for, learner, ready_take, address):
    told = client_for(learner).get(address("music-lines"), {"width": "360"}).json()
    whole = client_for(learner).get(address("music"), {"width": "360"}).content.decode()
    assert [number for line in told["lines"] for number in line["movements"]] == list(range(15))
    assert len(told["lines"]) > 3
    symbols = ElementTree.fromstring(told["symbols"])
    known = {element.get("id") for element in symbols.iter() if element.get("id")}
    used = set()
    for line in told["lines"]:
        drawn = ElementTree.fromstring(line["picture"])
        assert drawn.get("role") == "img"
        assert re.fullmatch(r"Bars? \d+( to \d+)?", drawn.get("aria-label"))
        used |= {element.get("href") for element in drawn.iter() if element.get("href")}
        _, _, wide, high = (float(number) for number in drawn.get("viewBox").split())
        assert (wide, high) == (line["wide"], line["high"])
    assert {name.removeprefix("#") for name in used} <= known
    # Together they hold what the whole holds.
    for name in ("<use", "<path", "<rect", 'class="notehead"', "beat-mark"):
        everything = "".join(line["picture"] for line in told["lines"]) + told["symbols"]
        assert everything.count(name) == whole.count(name)


def test_lines_do_not_cut_each_other(ready_take):
    drawn, _ = rendered.picture(ready_take.abc, width_px=360, beat_points={})
    grounds = [
        (float(y), float(y) + float(high))
        for y, high in re.findall(r'<rect class="movement-ground"[^>]*? y="([-\d.]+)"[^>]*? height="([\d.]+)"', drawn)
    ]
    for line in music_lines.divided(drawn)["lines"]:
        _, top, _, high = (float(number) for number in re.search(r'viewBox="([^"]+)"', line["picture"])[1].split())
        down = float(re.search(r"translate\(80, ([\d.]+)\)", line["picture"])[1])
        for number in line["movements"]:
            assert top <= down + grounds[number][0]
            assert down + grounds[number][1] <= top + high


def test_music_that_cannot_be_read_any_more_is_left_out(client_for, learner, ready_take, address):
    ready_take.abc = "no music"
    ready_take.save()
    assert 'id="music"' not in client_for(learner).get(address("take")).content.decode()
    assert client_for(learner).get(address("music")).status_code == 422
    assert client_for(learner).get(address("music-lines")).status_code == 422


@pytest.mark.parametrize("movements", [0, 15, 400])
def test_the_page_takes_at_most_twelve_queries_whatever_its_size(
    client_for, tutor, learner, ready_take, address, django_assert_max_num_queries, movements
):
    report = copy.deepcopy(ready_take.report)
    source = report["movements"]
    report["movements"] = [{**source[n % 15], "index": n} for n in range(movements)]
    ready_take.report = report
    ready_take.save()
    for number in range(min(movements, 30)):
        services.pin(ready_take, learner, f"note {number}", movement_index=number)
    client = client_for(tutor)
    client.get(address("take"))
    with django_assert_max_num_queries(12):
        client.get(address("take"))
    for name in ("timeline", "music-lines"):
        with django_assert_max_num_queries(12):
            client.get(address(name))


def test_the_page_keeps_the_policy_of_all_pages(client_for, tutor, address):
    client = client_for(tutor)
    answer = client.get(address("take"))
    assert (
        answer.headers["Content-Security-Policy"]
        == client.get(reverse("week:board")).headers["Content-Security-Policy"]
    )
    assert not re.search("unsafe-(inline|eval)", answer.headers["Content-Security-Policy"])
    # The name and class by which plotly knows that it has a style sheet.
    assert 'id="plotly.js-style-global" class="no-inline-styles"' in answer.content.decode()


# The timeline


def test_pages_are_kept_by_no_shared_cache(client_for, client, tutor, learner, address):
    for person in (tutor, learner):
        for path in (address("take"), address("compare"), "/takes/", "/exercises/"):
            assert client_for(person).get(path).headers["Cache-Control"] == "private"
    assert client_for(tutor).get(address("timeline")).headers["Cache-Control"] == "private, no-cache"  # its own word
    assert client.get(address("take")).headers["Cache-Control"] == "private"  # the way to the log-in


def test_the_timeline_answers_compressed_and_privately(client_for, tutor, address):
    answer = client_for(tutor).get(address("timeline"), headers={"Accept-Encoding": "gzip"})
    assert answer.headers["Content-Encoding"] == "gzip"
    assert "private" in answer.headers["Cache-Control"]
    data = json.loads(gzip.decompress(answer.content))
    assert data["duration_s"] == pytest.approx(37.4, abs=0.1)


def parts(report, notes=()):
    return {trace["meta"]["part"]: trace for trace in timeline.figure(report, notes)["data"]}


def test_every_sound_stands_in_its_lane_at_its_length(sample_report):
    found = parts(sample_report)
    sounds = [note for note in sample_report["notes"] if note["role"] == "gracenote"]
    meta = found["gracenote"]["meta"]
    assert meta["starts"] == pytest.approx([note["start_s"] for note in sounds], abs=1e-4)
    assert meta["ms"] == pytest.approx([1000 * (note["end_s"] - note["start_s"]) for note in sounds], abs=0.1)
    assert meta["lanes"] == [LABELS.index(note["note"]) for note in sounds]
    assert meta["least_px"] == 2  # to be seen when the whole take is on the screen
    assert found["gracenote-lengths"]["meta"]["of"] == "gracenote"
    assert sum(len(found[role]["meta"]["starts"]) for role in ("theme", "gracenote", "crossing")) == 63
    assert "unwritten" not in found  # none in this take


def test_movements_carry_their_index_and_each_verdict_has_a_mark(sample_report):
    found = timeline.figure(sample_report, [])["data"]
    [trace] = [trace for trace in found if trace["meta"]["part"] == "movements"]
    marks = [trace["meta"]["verdict"] for trace in found if trace["meta"]["part"] == "movement-mark"]
    assert set(trace["meta"]["verdicts"]) <= set(marks)
    assert marks[-1] == "fault"  # drawn last: not hidden by its neighbours
    assert trace["meta"]["indexes"] == list(range(15))
    assert len(trace["meta"]["said"]) == 15
    assert "clean" in trace["meta"]["said"]


def test_bars_begin_on_their_first_beat(sample_report):
    bars = timeline.bar_starts(sample_report)
    assert [number for number, _ in bars] == sorted({move["bar"] for move in sample_report["movements"]})
    assert all(start in sample_report["beat"]["beats_s"] for _, start in bars)


def test_plotly_knows_all_that_the_figure_says(ready_take, tutor, sample_report):
    """Its Python package refuses a trace or a property of the layout that there is none of."""
    objects = pytest.importorskip("plotly.graph_objects")
    services.pin(ready_take, tutor, "a stretch", start_s=2.0, end_s=3.0)
    sample_report["notes"][5]["role"] = "unwritten"
    sample_report["movements"][2]["confidence"] = 0.1
    figure = timeline.figure(sample_report, services.notes_of(ready_take, tutor))
    drawn = objects.Figure(figure)
    assert {trace.type for trace in drawn.data} == {"scatter"}
    assert [trace.meta["part"] for trace in drawn.data] == [trace["meta"]["part"] for trace in figure["data"]]
    assert drawn.layout.xaxis.range == (0.0, sample_report["recording"]["duration_s"])
    with pytest.raises(ValueError, match="Invalid property"):
        objects.Figure({"data": [{**figure["data"][0], "colour": 1}]})


def test_plotlys_package_is_for_tests_only():
    program = "import sys, studio.review.timeline as t; assert not [name for name in sys.modules if 'plotly' in name]"
    environment = {**os.environ, "DJANGO_SETTINGS_MODULE": "studio.settings"}
    code = f"import django; django.setup(); {program}"
    done = subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_the_figure_is_traces_without_shapes_or_colours(sample_report):
    figure = timeline.figure(sample_report, [])
    assert "shapes" not in figure["layout"]
    assert "#" not in json.dumps(figure["data"])


def test_a_movement_that_was_not_played_stands_where_it_belonged(sample_report):
    move = sample_report["movements"][3]
    move["start_s"] = None
    trace = parts(sample_report)["movements"]
    assert trace["meta"]["at"][trace["meta"]["indexes"].index(3)] == pytest.approx(move["beat_s"], abs=1e-4)
    move["beat_s"] = None
    assert 3 not in parts(sample_report)["movements"]["meta"]["indexes"]


def test_doublings_stand_beside_single_gracenotes(client_for, tutor, ready_take, address):
    page = client_for(tutor).get(address("take")).content.decode()
    assert "beside the single one, on E" in page
    assert len(re.findall("ms (longer|shorter)", page)) == 7
    assert re.search(
        r'<th scope="row">C</th><td class="count">46 ms</td><td class="count">109 ms</td>'
        r"<td>63\sms longer, 10\sms later</td>",
        page,
    )
    assert "Cut notes" not in page


def test_pairs_on_several_notes_name_each(client_for, tutor, ready_take, address):
    ready_take.report["comparison"]["pairs"][0]["on"] = "F"
    ready_take.save()
    page = client_for(tutor).get(address("take")).content.decode()
    assert "beside the single one</h3>" in page
    assert '<th scope="row">F from low G</th>' in page
    assert '<th scope="row">E from C</th>' in page


def test_cut_notes_are_shares_of_the_beat(client_for, tutor, ready_take, address):
    cut = {"movement": 0, "note": "low A", "start_s": 1.0, "length_ms": 200.4, "share": 0.204, "written_share": 0.25}
    ready_take.report["comparison"] = {
        "pairs": [],
        "dot_cuts": [cut, {**cut, "movement": 1, "share": None}],
        "dot_cuts_by_approach": {"low A": {"notes": 2, "length_median_ms": 200.4, "share_median": 0.204}},
    }
    ready_take.save()
    page = client_for(tutor).get(address("take")).content.decode()
    assert "Share of the beat, 25 % as written" in page
    assert '<th scope="row">low A</th><td class="count">20 % (200 ms), 200 ms</td>' in page
    assert "beside the single one" not in page


def test_reports_stored_before_anything_was_compared_show_pairs_as_well(client_for, tutor, ready_take, address):
    ready_take.report = {key: value for key, value in ready_take.report.items() if key != "comparison"}
    ready_take.save()
    assert "63\N{NO-BREAK SPACE}ms longer" in client_for(tutor).get(address("take")).content.decode()
    for movement in ready_take.report["movements"]:
        movement.pop("measures")
    ready_take.save()
    page = client_for(tutor).get(address("take"))
    assert page.status_code == 200
    assert "beside the single one" not in page.content.decode()


@pytest.mark.parametrize(
    ("lengths", "offsets", "words"),
    [
        ((45.4, 60.6), (1.0, 13.2), "16 ms longer, 12 ms later"),
        ((60.0, 45.0), (5.0, -5.0), "15 ms shorter, 10 ms sooner"),
        ((45.4, 44.6), (3.0, 3.4), "as long, at the same place"),
        ((45.0, 47.0), (None, None), "2 ms longer"),
    ],
)
def test_a_pair_in_words(lengths, offsets, words):
    pair = dict(zip(("single_length_ms", "doubling_length_ms"), lengths, strict=True))
    pair |= dict(zip(("single_offset_ms", "doubling_offset_ms"), offsets, strict=True))
    assert wording.pair_words(pair).replace("\N{NO-BREAK SPACE}", " ") == words


# Words

#: Around the crossing noise of `spoken`, each running into the next.
SOUNDS = [
    {"start_s": start_s, "end_s": end_s, "note": note, "role": role, "confidence": 0.9}
    for start_s, end_s, note, role in [
        (1.0, 1.1, "high G", "gracenote"), (1.1, 1.122, "low A", "crossing"), (1.122, 1.2, "E", "theme"),
    ]
]  # fmt: skip


def spoken(flag, **changes):
    """The sentences of a movement that has `flag`, with measures that give it."""
    measures = {
        "written": ["high G", "F"], "parts_ms": [40.0, 95.0], "first_offset_ms": 74.0, "second_offset_ms": None,
        "beat_length_ms": 1000.0, "noises": [], "played": True, "beat_point": "closes",
        "aligned": [
            {"note": "D" if flag == "wrong-gracenote" else "high G", "start_s": 1.0, "length_ms": 118.0},
            None if flag == "missing-gracenote" else {"note": "F", "start_s": 1.2, "length_ms": 40.0},
        ],
    }  # fmt: skip
    movement = {
        "index": 0, "kind": "doubling", "form": "full", "on": "E", "from": "low A", "bar": 1, "beat": 2.0,
        "start_s": 1.0, "end_s": 1.3, "beat_s": 1.0, "beat_offset_ms": 74.0, "gap_ms": 12.0,
        "gracenotes": [n for n in measures["aligned"] if n],
        "crossing_noises": [{"note": "low A", "start_s": 1.1, "length_ms": 22.0}],
        "flags": [flag] if flag else [], "confidence": 0.9, "measures": measures,
    }  # fmt: skip
    movement.update(changes)
    sounds = changes.get("sounds", SOUNDS)
    return " ".join(wording.sentences(movement, wording.Standard(changes.get("source", "click"), Tolerances(), sounds)))


@pytest.mark.parametrize(
    ("flag", "words"),
    [
        ("late", "closes 74 ms after the beat. Late: up to 62 ms passes"),
        ("early", "Early: up to 62 ms passes"),
        ("beat-on-second", "second gracenote stands on the beat"),
        ("run-together", "only 12 ms of E between them, 20 ms are needed"),
        ("missing-gracenote", "The F gracenote does not sound"),
        ("wrong-gracenote", "D sounds where the high G gracenote is written"),
        ("heavy-gracenote", "the high G gracenote is 118 ms long, up to 90 ms passes"),
        ("crossing-noise", "low A sounds for 22 ms between high G and E, which is not written"),
        ("uneven", "its parts last 40, 95 ms"),
        ("missed", "Not played"),
    ],
)
def test_each_flag_has_its_sentence(flag, words):
    assert words in spoken(flag)
    assert flag in wording.FLAG_WORDS


def test_every_flag_and_beat_source_has_words():
    assert set(wording.FLAG_WORDS) == set(FLAGS)
    assert all(wording.beat_words(source) for source in get_args(BeatSource))


def test_a_fitted_beat_speaks_of_evenness():
    assert "evenness, not lateness" in wording.beat_words("fitted")
    words = spoken("late", source="fitted")
    assert "after the steady line of this take" in words
    assert "Behind: up to 62 ms passes" in words
    assert "shows evenness, not lateness" in words
    assert "Late" not in words
    assert "Ahead" in spoken("early", source="fitted")


@pytest.mark.parametrize(
    "sounds",
    [
        [],
        SOUNDS[1:],
        [{**SOUNDS[0], "end_s": 1.05}, *SOUNDS[1:]],
        [{**sound, "start_s": sound["start_s"] + 0.01} for sound in SOUNDS],
    ],
    ids=["no sounds", "nothing before", "a silence before", "another sound"],
)
def test_a_noise_stands_between_notes_only_where_they_run_into_it(sounds):
    assert "low A sounds for 22 ms, which is not written" in spoken("crossing-noise", sounds=sounds)


def test_each_noise_has_a_sentence_of_its_own():
    noises = [{"note": note, "start_s": 1.1, "length_ms": 22.0} for note in ("low A", "B")]
    movement = {
        "flags": ["crossing-noise"], "crossing_noises": noises, "confidence": 0.9, "beat_offset_ms": None,
        "gracenotes": [], "gap_ms": None,
    }  # fmt: skip
    said = wording.sentences(movement, wording.Standard("click", Tolerances()))
    assert [words.split(" sounds")[0] for words in said] == ["Crossing noise: low A", "Crossing noise: B"]


def test_one_movement_is_told_without_a_spread(sample_report):
    report = {**sample_report, "movements": sample_report["movements"][:1]}
    report["summary"] = summarise(report["movements"])
    assert wording.summary_words(report) == f"{report['summary']['clean']} of 1 movement clean."
    assert "Typically" in wording.summary_words(sample_report)


@pytest.mark.parametrize(
    ("unwritten", "missed", "words"),
    [(0, 0, ""), (0, 15, ""), (4, 15, "Many notes"), (8, 0, ""), (15, 0, "Many notes"), (35, 0, "Most notes")],
)
def test_what_is_hardly_the_exercise_is_asked_about(sample_report, unwritten, missed, words):
    themes = [note for note in sample_report["notes"] if note["role"] == "theme"]
    assert len(themes) == 40
    for note in themes[:unwritten]:
        note["role"] = "unwritten"
    for movement in sample_report["movements"][:missed]:
        movement["flags"] = ["missed"]
    said = wording.summary_words(sample_report)
    assert ("is this the right exercise?" in said) is bool(words)
    assert words in said
    for movement in sample_report["movements"]:
        movement["bar"] = None
    assert "exercise" not in wording.summary_words(sample_report)


def test_unsure_is_said_and_no_fault_is_named():
    words = spoken("late", confidence=0.2)
    assert words.startswith("Not sure")
    assert "Late" not in words


@pytest.mark.parametrize(
    ("kind", "subject"), [("gracenote", "The gracenote closes"), ("doubling", "The first gracenote closes")]
)
def test_a_gracenote_alone_is_not_called_the_first(sample_report, kind, subject):
    movement = next(
        movement
        for movement in sample_report["movements"]
        if movement["kind"] == kind and movement["form"] in ("", "full")
    )
    told = wording.sentences(movement, wording.Standard("click", Tolerances()))
    assert any(sentence.startswith(subject) for sentence in told)


@pytest.mark.parametrize(
    ("role", "order"),
    [
        ("tutor", ["music-heading", "timeline-heading", "player", "movements-heading", "notes-heading"]),
        ("learner", ["notes-heading", "player", "movements-heading", "timeline-heading", "music-heading"]),
    ],
)
def test_the_page_is_tabbed_through_in_the_order_it_is_read(client_for, request, address, role, order):
    page = client_for(request.getfixturevalue(role)).get(address("take")).content.decode()
    found = re.findall(r'<section class="(player)"|<h2 id="([a-z]+-heading)"', page)
    names = [player or heading for player, heading in found]
    assert [name for name in names if name in order] == order


def test_clean_is_said(sample_report):
    clean = next(m for m in sample_report["movements"] if not m["flags"])
    assert wording.sentences(clean, wording.Standard("click", Tolerances()))[0] == "Clean."


@pytest.mark.parametrize(
    ("form", "on", "approach", "name"),
    [
        ("full", "E", "low A", "doubling on E from low A"),
        ("thumb", "E", "high G", "thumb doubling on E from high G"),
        ("half", "F", "high A", "half doubling on F from high A"),
        ("full", "B", None, "doubling on B"),
    ],
)
def test_movements_are_named_as_the_trade_does(form, on, approach, name):
    assert wording.movement_name({"kind": "doubling", "form": form, "on": on, "from": approach}) == name


# Notes


def test_a_note_on_a_movement_takes_its_place(ready_take, tutor):
    note = services.pin(ready_take, tutor, "  Listen here.  ", movement_index=3)
    assert (note.text, note.movement_index) == ("Listen here.", 3)
    assert note.start_s == ready_take.report["movements"][3]["start_s"]


def test_a_note_is_pinned_answered_edited_and_seen_by_the_other(client_for, tutor, learner, address):
    theirs, ours = client_for(tutor), client_for(learner)
    made = post(theirs, address("notes"), {"text": "Lift with the gracenote.", "movement_index": 3}).json()["note"]
    assert made["mine"]
    seen = ours.get(address("notes")).json()["notes"]
    assert [(n["text"], n["unread"], n["mine"], n["tutor"]) for n in seen] == [
        ("Lift with the gracenote.", True, False, True)
    ]
    answer = post(ours, address("notes"), {"text": "Like this?", "answer_to": made["id"]}).json()["note"]
    assert answer["answer_to"] == made["id"]
    post(ours, reverse("review:note", args=[answer["id"]]), {"text": "Like that?"})
    notes = theirs.get(address("notes")).json()["notes"]
    assert [(n["text"], n["edited"]) for n in notes] == [("Lift with the gracenote.", False), ("Like that?", True)]


def test_an_answer_to_an_answer_joins_the_thread(ready_take, tutor, learner):
    first = services.pin(ready_take, tutor, "One.", movement_index=0)
    second = services.pin(ready_take, learner, "Two.", answer_to=first)
    third = services.pin(ready_take, tutor, "Three.", answer_to=second)
    assert third.answer_to == first


def test_reading_is_kept_for_each_reader(client_for, tutor, learner, ready_take, address):
    note = services.pin(ready_take, tutor, "Read me.", start_s=2.0)
    assert post(client_for(learner), address("read"), {"ids": [str(note.pk)]}).json() == {"read": 1}
    assert not client_for(learner).get(address("notes")).json()["notes"][0]["unread"]
    assert post(client_for(learner), address("read"), {}).json() == {"read": 0}
    assert NoteRead.objects.get().reader == learner


def test_deleting_can_be_undone(client_for, tutor, ready_take, address):
    note = services.pin(ready_take, tutor, "Away with it.", movement_index=1)
    client = client_for(tutor)
    assert client.delete(reverse("review:note", args=[note.pk])).status_code == 200
    assert client.get(address("notes")).json()["notes"] == []
    assert post(client, reverse("review:restore", args=[note.pk]), {}).status_code == 200
    assert len(client.get(address("notes")).json()["notes"]) == 1


def test_answers_go_with_the_deleted_note(ready_take, tutor, learner):
    note = services.pin(ready_take, tutor, "One.", movement_index=1)
    services.pin(ready_take, learner, "Two.", answer_to=note)
    services.delete(note)
    assert services.notes_of(ready_take, tutor) == []
    with pytest.raises(NoteError, match="no longer there"):
        services.pin(ready_take, learner, "Three.", answer_to=note)


def test_nobody_edits_or_deletes_what_another_wrote(client_for, tutor, learner, ready_take):
    note = services.pin(ready_take, learner, "Mine.", movement_index=1)
    url = reverse("review:note", args=[note.pk])
    assert post(client_for(tutor), url, {"text": "Yours."}).status_code == 404
    assert client_for(tutor).delete(url).status_code == 404
    assert PinnedNote.objects.get().text == "Mine."


@pytest.mark.parametrize(
    ("data", "words"),
    [
        ({"text": "   ", "movement_index": 0}, "empty"),
        ({"text": "x" * 2001, "movement_index": 0}, "2001 characters"),
        ({"text": "x", "movement_index": 99}, "no such movement"),
        ({"text": "x", "start_s": 9999}, "outside the take"),
        ({"text": "x", "start_s": -1}, "outside the take"),
        ({"text": "x"}, "Choose a movement"),
        ({"text": "x", "start_s": "soon"}, "Choose a movement"),
        ({"text": "x", "answer_to": "nobody"}, "no longer there"),
        ({"text": 5, "movement_index": 0}, "empty"),
        ({"text": "half \ud800", "movement_index": 0}, "cannot be kept"),
        ({"text": "null \x00", "movement_index": 0}, "cannot be kept"),
        ([1, 2], "could not be read"),
    ],
)
def test_unusable_notes_are_refused_in_one_sentence(client_for, tutor, address, data, words):
    answer = post(client_for(tutor), address("notes"), data)
    assert answer.status_code == 400
    assert words in answer.json()["error"]
    assert not PinnedNote.objects.exists()


@pytest.mark.parametrize(
    ("body", "words"),
    [
        ("{not json", "could not be read"),
        (b"\xff\xfe{}", "could not be read"),
        ("[" * 19_000, "could not be read"),
        ('{"text": "' + 20_000 * "x" + '"}', "more than can be kept"),
    ],
    ids=["not json", "not text", "nested", "too long"],
)
def test_what_is_no_json_is_refused_in_one_sentence(client_for, tutor, address, body, words):
    answer = client_for(tutor).post(address("notes"), data=body, content_type="application/json")
    assert answer.status_code == 400
    assert words in answer.json()["error"]
    assert not PinnedNote.objects.exists()


@pytest.mark.parametrize("ids", [5, "abc", [None], [1, 2], {"a": 1}])
def test_unusable_ids_of_read_notes_are_refused(client_for, tutor, address, ids):
    answer = post(client_for(tutor), address("read"), {"ids": ids})
    assert answer.status_code == 400
    assert "could not be read" in answer.json()["error"]


def test_a_deleted_note_is_not_edited_unseen(client_for, tutor, ready_take):
    note = services.pin(ready_take, tutor, "Before.", movement_index=1)
    services.delete(note)
    answer = post(client_for(tutor), reverse("review:note", args=[note.pk]), {"text": "After."})
    assert answer.status_code == 400
    assert "bring it back" in answer.json()["error"]
    note.refresh_from_db()
    assert note.text == "Before."


def test_notes_are_escaped_in_the_page(client_for, tutor, ready_take, address):
    services.pin(ready_take, tutor, "<script>alert(1)</script>", movement_index=0)
    page = client_for(tutor).get(address("take")).content.decode()
    assert "<script>alert(1)</script>" not in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page


def test_notes_need_the_token_against_forgery(tutor, address):
    from django.test import Client

    client = Client(enforce_csrf_checks=True)
    client.force_login(tutor)
    assert post(client, address("notes"), {"text": "x", "movement_index": 0}).status_code == 403


def test_judging_again_shows_on_the_page(client_for, tutor, studio, ready_take, address):
    from studio.takes.services import rejudge

    assert judge(ready_take.report, Tolerances()) == ready_take.report
    studio.tolerances = {"gracenote_ms": 45.0}
    studio.save()
    assert rejudge(studio) == 1
    page = client_for(tutor).get(address("take")).content.decode()
    assert "up to 45 ms passes" in page
