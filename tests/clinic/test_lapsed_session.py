"""Whoever's session has lapsed signs in and is back at the page; nothing is done in between."""

from django.test import Client
from django.urls import reverse


def test_a_live_part_is_redirected_by_the_browser(client, office):
    answer = client.get(
        reverse("today-live"),
        headers={"HX-Request": "true", "HX-Current-URL": "http://testserver/today/"},
    )
    assert answer.status_code == 204
    assert answer.headers["HX-Redirect"] == "/login/?next=%2Ftoday%2F"


def test_a_page_is_redirected_as_usual(client, office):
    answer = client.get(reverse("today"))
    assert (answer.status_code, answer.headers["Location"]) == (302, "/login/?next=/today/")


def test_a_form_leads_back_to_its_page_and_says_that_nothing_was_done(client, office):
    page = "http://testserver/bench/?ask=start"
    answer = client.post(reverse("bench-scan"), {"text": "DO-OK"}, headers={"Referer": page})
    assert answer.headers["Location"] == "/login/?next=%2Fbench%2F%3Fask%3Dstart&lapsed=yes"
    assert "Nothing of what you did last" in client.get(answer.headers["Location"]).content.decode()
    other = client.post(reverse("bench-scan"), headers={"Referer": "http://elsewhere/bench/"})
    assert other.headers["Location"] == "/login/?next=%2F&lapsed=yes"


def test_a_form_older_than_the_sign_in_is_drawn_anew(office, person):
    client = Client(enforce_csrf_checks=True)
    client.force_login(person("technician"))
    headers = {"Referer": "http://testserver/bench/", "Accept": "text/html"}
    answer = client.post(reverse("bench-scan"), {"text": "DO-OK"}, headers=headers)
    assert (answer.status_code, answer.headers["Location"]) == (302, "/bench/")
    assert "Nothing was recorded" in client.get("/bench/").content.decode()
    assert client.post(reverse("bench-scan"), {"text": "DO-OK"}).status_code == 403


def test_a_page_learns_who_is_signed_in_and_the_token_of_now(office, person):
    client = Client(enforce_csrf_checks=True)
    nobody = client.get(reverse("presence")).json()
    assert (nobody["who"], nobody["name"]) == ("", "")
    user = person("technician")
    client.force_login(user)
    found = client.get(reverse("presence")).json()
    assert (found["who"], found["name"]) == (str(user.pk), str(user))
    sent = {"text": "DO-BENCH", "csrfmiddlewaretoken": found["token"]}
    headers = {"Referer": "http://testserver/bench/"}
    assert client.post(reverse("bench-scan"), sent, headers=headers).status_code == 302
