"""Signing in and out, the password, the first page of each role, and the help."""

from __future__ import annotations

import re

import pytest
from django.conf import settings
from django.test import Client
from django.urls import reverse

from servicedesk.pages import NAVIGATION
from tests.factories import PASSWORD, make_user
from tests.servicedesk.page_cast import Cast, text_of

pytestmark = pytest.mark.django_db

START = {
    "manager": "/desk/",
    "dispatcher": "/desk/",
    "technician": "/field/",
    "workshop": "/bench/",
    "owner": "/portal/",
}


@pytest.mark.parametrize(("role", "start"), START.items())
def test_signing_in_leads_to_the_first_page_of_the_role(role: str, start: str) -> None:
    user = make_user(role)
    client = Client()
    answer = client.post(
        "/sign-in/",
        {"username": user.username, "password": PASSWORD},
        follow=True,
        headers={"host": "localhost"},
    )
    assert answer.redirect_chain == [("/", 302), (start, 302)]
    assert answer.status_code == 200
    # The technician's app is stored on the phone as it is, so it names nobody before it has its data.
    if role != "technician":
        assert f"{user.display_name}</strong>" in text_of(answer)


def test_the_first_page_asks_a_stranger_to_sign_in() -> None:
    assert Client().get("/").headers["Location"] == "/sign-in/"


def test_signing_in_comes_back_to_the_page_that_was_asked_for() -> None:
    user = make_user("dispatcher")
    client = Client()
    asked = client.get("/desk/due/?status=overdue")
    assert asked.headers["Location"] == "/sign-in/?next=/desk/due/%3Fstatus%3Doverdue"
    page = client.get(asked.headers["Location"])
    assert "Please sign in to go on" in text_of(page)
    answer = client.post(
        asked.headers["Location"],
        {"username": user.username, "password": PASSWORD, "next": "/desk/due/?status=overdue"},
    )
    assert answer.headers["Location"] == "/desk/due/?status=overdue"


def test_signing_in_never_leads_to_another_host() -> None:
    user = make_user("dispatcher")
    answer = Client().post(
        "/sign-in/", {"username": user.username, "password": PASSWORD, "next": "https://elsewhere.example/"}
    )
    assert answer.headers["Location"] == "/"


def test_a_wrong_password_and_an_unknown_name_get_the_same_answer() -> None:
    user = make_user("dispatcher")
    closed = make_user("dispatcher", is_active=False)
    pages = [
        text_of(Client().post("/sign-in/", {"username": name, "password": word}))
        for name, word in (
            (user.username, "not the password"),
            ("nobody", "not the password"),
            (closed.username, PASSWORD),
        )
    ]
    for page in pages:
        assert "User name and password do not belong together." in page


def test_ten_wrong_passwords_lock_the_name_for_a_while_and_say_so() -> None:
    user = make_user("dispatcher")
    client = Client()
    for _ in range(settings.AXES_FAILURE_LIMIT):
        answer = client.post("/sign-in/", {"username": user.username, "password": "not the password"})
    assert answer.status_code == 429
    assert "it waits for 15 minutes" in text_of(answer)
    # Even the right password has to wait now.
    answer = client.post("/sign-in/", {"username": user.username, "password": PASSWORD})
    assert answer.status_code == 429


def test_signing_out_needs_a_form_and_clears_what_the_browser_remembers(cast: Cast) -> None:
    client = cast.client("dispatcher")
    assert client.get("/sign-out/").status_code == 405
    answer = client.post("/sign-out/")
    assert (answer.status_code, answer.headers["Location"]) == (302, "/sign-in/")
    assert answer.headers["Clear-Site-Data"] == '"cache"'
    assert client.get("/desk/").status_code == 302


def test_pages_are_not_kept_by_shared_caches(cast: Cast) -> None:
    answer = cast.get("dispatcher", "desk:overview")
    assert set(answer.headers["Cache-Control"].split(", ")) == {"private", "no-cache"}


def test_a_new_password_counts_and_the_old_one_does_not() -> None:
    user = make_user("owner")
    client = Client()
    client.force_login(user)
    new = "three brass lanterns"
    answer = client.post(
        "/password/", {"old_password": PASSWORD, "new_password1": new, "new_password2": new}, follow=True
    )
    assert "Your password was changed." in text_of(answer)
    user.refresh_from_db()
    assert user.check_password(new)


@pytest.mark.parametrize(
    ("old", "new", "again", "said"),
    [
        (
            "wrong",
            "three brass lanterns",
            "three brass lanterns",
            "Your old password was entered incorrectly",
        ),
        (PASSWORD, "three brass lanterns", "three brass lantern", "The two password fields"),
        (PASSWORD, "short", "short", "This password is too short"),
    ],
)
def test_a_password_that_cannot_be_changes_nothing(old: str, new: str, again: str, said: str) -> None:
    user = make_user("owner")
    client = Client()
    client.force_login(user)
    answer = client.post("/password/", {"old_password": old, "new_password1": new, "new_password2": again})
    assert said in text_of(answer)
    user.refresh_from_db()
    assert user.check_password(PASSWORD)


def test_the_password_page_asks_a_stranger_to_sign_in() -> None:
    assert Client().get("/password/").headers["Location"] == "/sign-in/?next=/password/"


@pytest.mark.parametrize("role", START)
def test_everybody_who_is_signed_in_may_read_the_help(cast: Cast, role: str) -> None:
    assert cast.get(role, "help").status_code == 200
    assert Client().get("/help/").status_code == 302


@pytest.mark.parametrize("role", START)
def test_the_help_links_only_what_the_role_may_open(cast: Cast, role: str) -> None:
    client = cast.client(role)
    page = client.get(reverse("help")).content.decode()
    links = set(re.findall(r'<a [^>]*href="(/[^"#?]*)', page[page.index("<main") : page.index("</main>")]))
    assert {link: client.get(link).status_code for link in links} == dict.fromkeys(links, 200)
    assert (reverse("field:plain") in links) == (role == "technician")
    assert (reverse("desk:erase") in links) == (role == "manager")


@pytest.mark.parametrize("role", START)
def test_the_navigation_holds_pages_that_the_role_may_open(cast: Cast, role: str) -> None:
    client = cast.client(role)
    for group, pages in NAVIGATION[role]:
        for label, name in pages:
            page = client.get(reverse(name))
            assert page.status_code == 200, label
            assert [item["label"] for item in page.context["nav_items"] if item["is_current"]] == [group]
            within = [item["label"] for item in page.context["nav_within"] if item["is_current"]]
            assert within == ([label] if len(pages) > 1 else [])


def test_a_page_of_another_role_is_refused_with_a_page_that_says_so(cast: Cast) -> None:
    answer = cast.get("technician", "desk:overview")
    assert answer.status_code == 403
    assert "that role may not do this" in text_of(answer)


def test_an_address_that_leads_nowhere_is_answered_within_the_frame(cast: Cast) -> None:
    answer = cast.client("dispatcher").get("/desk/nowhere/")
    assert answer.status_code == 404
    assert "Nothing here for you" in text_of(answer)
    assert [item["label"] for item in answer.context["nav_items"]][:2] == ["Today", "Planning"]
