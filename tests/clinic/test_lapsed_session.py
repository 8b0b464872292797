"""A live part whose session has lapsed sends the whole page to the sign-in."""

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
