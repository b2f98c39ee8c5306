"""Logging in, setting up, joining, leaving, and the studio's settings."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.db.models import QuerySet
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from studio.people import services
from studio.people.forms import JoinForm
from studio.people.models import Invitation, Studio, User
from studio.people.throttle import TRIES
from studio.people.views import qr_code
from studio.takes import reports
from tests.conftest import PASSWORD
from tests.studio import fakes

ClientFor = Callable[[Any], Client]
LOG_IN = "/log-in/"
CHOSEN = {"username": "wee.piper", "password": "three short words", "password_again": "three short words"}


def log_in(client: Client, username: str, password: str = PASSWORD, **extra: Any) -> Any:
    return client.post(LOG_IN, {"username": username, "password": password}, **extra)


def link_in(response: Any) -> str:
    """The path of the join link that the page shows."""
    found = re.search(r'value="http://testserver(/join/[^"]+)"', response.content.decode())
    assert found is not None
    return found[1]


# Logging in and out


def test_log_in_leads_to_each_ones_first_page(client: Client, tutor: User, learner: User) -> None:
    assert log_in(client, "isla").headers["Location"] == "/"
    assert client.get("/").headers["Location"] == reverse("week:board")
    client.logout()
    log_in(client, "rory")
    assert client.get("/").headers["Location"] == reverse("week:mine")


def test_capitals_of_a_phone_keyboard_make_no_difference(client: Client, tutor: User) -> None:
    assert log_in(client, " Isla ").status_code == 302


def test_the_page_asked_for_comes_after_logging_in_but_no_other_site(client: Client, tutor: User) -> None:
    assert client.get("/exercises/").headers["Location"] == "/log-in/?next=/exercises/"
    sent = {"username": "isla", "password": PASSWORD, "next": "/exercises/"}
    assert client.post(LOG_IN, sent).headers["Location"] == "/exercises/"
    client.logout()
    assert client.post(LOG_IN, {**sent, "next": "https://elsewhere.example/"}).headers["Location"] == "/"


def test_a_wrong_password_gets_one_clear_sentence(client: Client, tutor: User) -> None:
    response = log_in(client, "isla", "wrong")
    assert response.status_code == 200
    html = response.content.decode()
    assert "User name and password do not go together." in html
    assert "manage.py changepassword" in html  # nobody gives a tutor a join link
    assert "changepassword" not in client.get(LOG_IN).content.decode()


def test_after_too_many_wrong_tries_even_the_right_password_has_to_wait(client: Client, tutor: User) -> None:
    for _ in range(TRIES):
        assert log_in(client, "isla", "wrong").status_code == 200
    response = log_in(client, "Isla")
    assert response.status_code == 429
    assert "Too many wrong tries" in response.content.decode()
    # Another address is not kept out, nor is somebody else at this one.
    assert log_in(Client(REMOTE_ADDR="192.0.2.7"), "isla").status_code == 302


def test_wrong_tries_are_forgotten_after_a_right_one(client: Client, tutor: User) -> None:
    for _ in range(2):
        for _ in range(TRIES - 1):
            log_in(client, "isla", "wrong")
        assert log_in(client, "isla").status_code == 302
        client.logout()


def test_the_address_behind_a_proxy_is_the_one_the_proxy_saw(tutor: User, settings: Any) -> None:
    settings.HTTPS = True
    for number in range(TRIES):  # what the asker writes before the proxy's own entry does not help
        log_in(Client(headers={"x-forwarded-for": f"203.0.113.{number}, 192.0.2.7"}), "isla", "wrong")
    assert log_in(Client(headers={"x-forwarded-for": "198.51.100.1, 192.0.2.7"}), "isla").status_code == 429
    assert log_in(Client(headers={"x-forwarded-for": "192.0.2.8"}), "isla").status_code == 302


def test_logging_out_takes_a_post(client_for: ClientFor, tutor: User) -> None:
    client = client_for(tutor)
    assert client.get("/log-out/").status_code == 405
    assert client.post("/log-out/").headers["Location"] == LOG_IN
    assert client.get("/board/").status_code == 302


# Setting up


def test_a_new_installation_is_set_up_once(client: Client, db: None) -> None:
    assert client.get("/").headers["Location"] == "/set-up/"
    assert client.get(LOG_IN).headers["Location"] == "/set-up/"
    sent = {**CHOSEN, "studio_name": "Balnacraig Pipers", "display_name": "Una Strand"}
    assert client.post("/set-up/", sent).headers["Location"] == "/"
    tutor = User.objects.get()
    assert (tutor.username, str(tutor), tutor.is_tutor) == ("wee.piper", "Una Strand", True)
    assert str(tutor.studio) == "Balnacraig Pipers"
    assert client.get("/board/").status_code == 200
    assert Client().post("/set-up/", {**sent, "username": "second"}).headers["Location"] == LOG_IN
    assert Studio.objects.count() == 1


def test_two_set_ups_at_once_make_one_studio(tutor: User) -> None:
    with pytest.raises(services.AlreadySetUp):
        services.create_studio(studio_name="B", display_name="B", username="b-b", password="x")


def test_a_set_up_that_sees_no_other_yet_makes_no_second_studio(db: None, monkeypatch: pytest.MonkeyPatch) -> None:
    services.create_studio(studio_name="A", display_name="A", username="a-a", password="x")
    monkeypatch.setattr(QuerySet, "exists", lambda self: False)
    with pytest.raises(services.AlreadySetUp):
        services.create_studio(studio_name="B", display_name="B", username="b-b", password="x")
    assert (Studio.objects.count(), User.objects.count()) == (1, 1)


# Adding learners and joining


def test_a_learner_is_added_by_name_and_joins_by_the_link_once(client_for: ClientFor, tutor: User) -> None:
    page = client_for(tutor).post("/learners/", {"display_name": "  Nessa   Pellick "})
    assert page.status_code == 200
    assert "no-store" in page.headers["Cache-Control"]
    learner = User.objects.get(role=User.Role.LEARNER)
    assert str(learner) == "Nessa Pellick"
    assert not services.has_joined(learner)
    link = link_in(page)
    phone = Client()
    assert "Hello Nessa Pellick" in phone.get(link).content.decode()
    assert phone.post(link, CHOSEN).headers["Location"] == "/"
    assert phone.get("/week/").status_code == 200
    for answer in (Client().get(link), Client().post(link, {**CHOSEN, "username": "thief"})):
        assert answer.status_code == 404
        assert "This link is no longer good" in answer.content.decode()
    learner.refresh_from_db()
    assert learner.username == "wee.piper"


def test_only_the_hash_of_a_link_is_stored(client_for: ClientFor, tutor: User) -> None:
    token = link_in(client_for(tutor).post("/learners/", {"display_name": "Nessa"})).split("/")[2]
    stored = Invitation.objects.values_list("token_hash", flat=True).get()
    assert token not in stored
    assert len(token) >= 32


def test_a_link_dies_after_fourteen_days(tutor: User, learner: User) -> None:
    invitation, token = services.invite(learner, by=tutor)
    assert timedelta(days=13, hours=23) < invitation.expires_at - timezone.now() <= timedelta(days=14)
    Invitation.objects.update(expires_at=timezone.now() - timedelta(seconds=1))
    assert Client().get(f"/join/{token}/").status_code == 404


def test_a_new_link_kills_the_old_ones_and_gives_back_a_lost_log_in(
    client_for: ClientFor, tutor: User, learner: User
) -> None:
    client = client_for(tutor)
    answer = client.post(f"/learners/{learner.pk}/invite/")
    first = link_in(answer)
    assert "Earlier links" not in answer.content.decode()
    answer = client.post(f"/learners/{learner.pk}/invite/")
    second = link_in(answer)
    assert "Earlier links" in answer.content.decode()
    assert Client().get(first).status_code == 404
    page = Client().get(second).content.decode()
    assert 'value="rory"' in page  # the user name may stay
    phone = client_for(learner)
    assert Client().post(second, {**CHOSEN, "username": "rory"}).status_code == 302
    assert log_in(Client(), "rory", CHOSEN["password"]).status_code == 302
    assert phone.get("/week/").status_code == 302  # devices that knew the old password are out


def test_a_link_that_somebody_else_used_meanwhile_is_not_used_twice(tutor: User, learner: User) -> None:
    invitation, _ = services.invite(learner, by=tutor)
    services.join(invitation, username="first", password="x")
    with pytest.raises(services.LinkSpent):
        services.join(invitation, username="second", password="y")
    learner.refresh_from_db()
    assert learner.username == "first"


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"username": "ISLA"}, "Somebody else has this user name"),
        ({"username": "a b"}, "valid username"),
        ({"password_again": "other words"}, "The two passwords differ"),
        ({"password": "short", "password_again": "short"}, "too short"),
        ({"password": "password1", "password_again": "password1"}, "too common"),
        ({"password": "wee.piper1", "password_again": "wee.piper1"}, "too similar"),
    ],
)
def test_joining_says_what_is_wrong(tutor: User, learner: User, change: dict[str, str], said: str) -> None:
    _, token = services.invite(learner, by=tutor)
    page = Client().post(f"/join/{token}/", {**CHOSEN, **change})
    assert page.status_code == 200
    assert said in page.content.decode()
    assert Invitation.objects.filter(used_at=None).exists()


def test_a_user_name_taken_in_the_same_moment_is_said_and_leaves_the_link(
    tutor: User, learner: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    _, token = services.invite(learner, by=tutor)
    monkeypatch.setattr(JoinForm, "clean_username", lambda form: form.cleaned_data["username"])
    page = Client().post(f"/join/{token}/", {**CHOSEN, "username": "isla"})
    assert page.status_code == 200
    assert "Somebody else has this user name" in page.content.decode()
    assert Client().post(f"/join/{token}/", CHOSEN).status_code == 302


def test_two_learners_of_one_studio_have_different_names(
    client_for: ClientFor, tutor: User, learner: User, other_learner: User
) -> None:
    page = client_for(tutor).post("/learners/", {"display_name": learner.display_name.upper()})
    assert "in this studio already" in page.content.decode()
    page = client_for(tutor).post(f"/learners/{other_learner.pk}/rename/", {"display_name": learner.display_name})
    assert "in this studio already" in page.content.decode()
    client_for(tutor).post(f"/learners/{learner.pk}/rename/", {"display_name": "Rory T."})
    learner.refresh_from_db()
    assert str(learner) == "Rory T."


def test_the_link_is_shown_as_a_qr_code_without_inline_styles(client_for: ClientFor, tutor: User) -> None:
    page = client_for(tutor).post("/learners/", {"display_name": "Nessa"}).content.decode()
    assert 'class="qr-code"' in page
    assert "<style" not in page
    assert " style=" not in page
    # The code itself differs with the link: it is not a fixed picture.
    assert qr_code("http://a.example/1") != qr_code("http://a.example/2")


def test_the_public_address_is_in_the_link_where_one_is_set(client_for: ClientFor, tutor: User, settings: Any) -> None:
    settings.SITE_URL = "https://pipes.example"
    page = client_for(tutor).post("/learners/", {"display_name": "Nessa"}).content.decode()
    assert 'value="https://pipes.example/join/' in page


def test_an_address_of_this_computer_only_is_said_to_be_one(client_for: ClientFor, tutor: User) -> None:
    said = "an address that only this computer knows"
    client = client_for(tutor)
    here = client.post("/learners/", {"display_name": "Nessa"}, headers={"host": "127.0.0.1:8000"})
    assert said in here.content.decode()
    assert said not in client.post("/learners/", {"display_name": "Odhran"}).content.decode()


# Leaving and coming back


def test_a_learner_who_left_cannot_log_in_until_brought_back(client_for: ClientFor, tutor: User, learner: User) -> None:
    _, token = services.invite(learner, by=tutor)
    phone = client_for(learner)
    client = client_for(tutor)
    assert client.post(f"/learners/{learner.pk}/end/").status_code == 302
    assert phone.get("/week/").status_code == 302
    assert log_in(Client(), "rory").status_code == 200
    assert Client().get(f"/join/{token}/").status_code == 404
    assert "Join link for" not in client.post(f"/learners/{learner.pk}/invite/", follow=True).content.decode()
    page = client.get("/learners/").content.decode()
    assert "Left the studio (1)" in page
    client.post(f"/learners/{learner.pk}/bring-back/")
    assert log_in(Client(), "rory").status_code == 302
    assert Client().get(f"/join/{token}/").status_code == 404  # an old link stays dead


# One's own log-in


def test_another_password_keeps_this_device_and_logs_others_out(client_for: ClientFor, tutor: User) -> None:
    here, elsewhere = client_for(tutor), client_for(tutor)
    new = "three other words"
    sent = {"old_password": PASSWORD, "new_password1": new, "new_password2": new}
    assert "not entered correctly" not in here.get("/account/").content.decode()
    assert here.post("/account/", {**sent, "old_password": "wrong"}).status_code == 200
    assert here.post("/account/", sent).status_code == 302
    assert here.get("/board/").status_code == 200
    assert elsewhere.get("/board/").status_code == 302
    assert log_in(Client(), "isla", new).status_code == 302


# The studio's settings


def settings_sent(client: Client, **changes: str) -> dict[str, str]:
    """The settings form as it stands, with `changes`."""
    form = client.get("/studio/").context["form"]
    sent = {name: str(form[name].value() if form[name].value() is not None else "") for name in form.fields}
    return {**sent, **changes}


def test_saved_tolerances_judge_stored_takes_anew(
    client_for: ClientFor, tutor: User, ready_take: Any, studio: Studio
) -> None:
    client = client_for(tutor)
    reports.store_report(ready_take, fakes.sample_report())
    before = ready_take.clean_count
    page = client.post("/studio/", settings_sent(client, offset_floor_ms="200"), follow=True).content.decode()
    assert "All takes were judged anew; 1 came out differently." in page
    studio.refresh_from_db()
    assert studio.tolerances == {"offset_floor_ms": 200.0}
    ready_take.refresh_from_db()
    assert ready_take.clean_count > before
    assert ready_take.movements.filter(clean=True).count() == ready_take.clean_count
    # Emptied again, the level's own value counts.
    client.post("/studio/", settings_sent(client, offset_floor_ms=""))
    studio.refresh_from_db()
    ready_take.refresh_from_db()
    assert (studio.tolerances, ready_take.clean_count) == ({}, before)


def test_a_share_is_shown_in_percent_and_stored_as_a_share(client_for: ClientFor, tutor: User, studio: Studio) -> None:
    client = client_for(tutor)
    client.post("/studio/", settings_sent(client, offset_share="7.5"))
    studio.refresh_from_db()
    assert studio.tolerances == {"offset_share": 0.075}
    assert client.get("/studio/").context["form"]["offset_share"].value() == 7.5


def test_level_beat_points_tuning_and_name_are_saved(client_for: ClientFor, tutor: User, studio: Studio) -> None:
    client = client_for(tutor)
    changes = {"level": "gentle", "tuning": "older", "beat-doubling": "opens", "name": "Strathmorrow"}
    client.post("/studio/", settings_sent(client, **changes))
    studio.refresh_from_db()
    assert (studio.level, studio.tuning, studio.name) == ("gentle", "older", "Strathmorrow")
    assert studio.beat_points == {"doubling": "opens"}  # defaults are not stored, so that they follow a better default


@pytest.mark.parametrize("bad", ["0", "-3", "1000", "loud"])
def test_tolerances_that_make_no_sense_are_refused(
    client_for: ClientFor, tutor: User, studio: Studio, bad: str
) -> None:
    client = client_for(tutor)
    page = client.post("/studio/", settings_sent(client, gap_ms=bad, name="Not saved"))
    assert page.status_code == 200
    assert "Nothing is saved yet" in page.content.decode()
    studio.refresh_from_db()
    assert (studio.name, studio.tolerances) == ("Strathmorrow Juniors", {})
