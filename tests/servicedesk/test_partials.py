"""The shared partials: a state never depends on colour, forms tie words to inputs, nothing leaks."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path
from types import SimpleNamespace

import pytest
from django import forms
from django.core.paginator import Paginator
from django.template.loader import render_to_string
from django.test import RequestFactory

STATIC = Path(__file__).resolve().parents[2] / "servicedesk" / "static"


class VisitForm(forms.Form):
    planned_on = forms.DateField(label="Day", help_text="Civil date at the site.")
    note = forms.CharField(label="Note", required=False)


def words(html: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", html).split())


def icons(html: str) -> list[str]:
    return re.findall(r"icons\.svg#([\w-]*)", html)


@pytest.mark.parametrize(
    ("tone", "icon", "word"),
    [
        ("ok", "ok", "In date"),
        ("soon", "soon", "Due soon"),
        ("overdue", "overdue", "Overdue"),
        ("unknown", "unknown", "Unknown"),
        ("away", "away", "Away"),
        ("none", "none", "Nothing due"),
        ("something-new", "unknown", "Unknown"),
        ("", "unknown", "Unknown"),
    ],
)
def test_a_state_has_its_own_icon_and_word(tone: str, icon: str, word: str) -> None:
    html = render_to_string("_status.html", {"status": {"tone": tone, "on": date(2027, 3, 1)}})
    assert icons(html) == [icon]
    assert f'data-tone="{icon}"' in html
    assert words(html) == f"{word} 1 Mar 2027"


def test_a_month_only_date_is_not_shown_as_a_day() -> None:
    html = render_to_string(
        "_status.html", {"status": {"tone": "soon", "on": date(2027, 3, 1), "on_text": "March 2027"}}
    )
    assert words(html) == "Due soon March 2027"


@pytest.mark.parametrize(
    ("result", "tone"),
    [
        ("serviced", "ok"),
        ("replaced", "ok"),
        ("failed", "overdue"),
        ("removed", "away"),
        ("not_found", "unknown"),
        ("no_access", "unknown"),
        ("", "none"),
    ],
)
def test_only_work_that_was_done_looks_done(result: str, tone: str) -> None:
    assert f'data-tone="{tone}"' in render_to_string("_result.html", {"result": result, "word": "x"})


def test_every_partial_draws_an_icon_that_exists() -> None:
    drawn = set(re.findall(r'<symbol id="([\w-]+)"', (STATIC / "icons.svg").read_text(encoding="utf-8")))
    levels = ["success", "error", "warning", "info"]
    used = icons(render_to_string("_messages.html", {"messages": [{"level_tag": level} for level in levels]}))
    for state in ["proposed", "confirmed", "under_way", "closed", "cancelled"]:
        visit = {"state": state, "get_state_display": state}
        used += icons(render_to_string("_visit_state.html", {"visit": visit}))
    used += icons(render_to_string("_notice.html", {"text": "x"}))
    used += icons(render_to_string("_notice.html", {"text": "x", "tone": "soon"}))
    assert len(used) == 11
    assert set(used) - drawn == set()


def test_help_and_error_are_tied_to_their_input() -> None:
    html = render_to_string("_form.html", {"form": VisitForm({"planned_on": "31.02.2027"})})
    tag = re.search(r'<input[^>]+name="planned_on"[^>]*>', html)
    assert tag is not None
    described = re.search(r'aria-describedby="([^"]+)"', tag[0])
    assert described is not None
    ids = described[1].split()
    assert ids == ["id_planned_on_helptext", "id_planned_on_error"]
    assert [html.count(f'id="{one}"') for one in ids] == [1, 1]
    assert 'aria-invalid="true"' in tag[0]


def test_the_error_summary_leads_to_the_field() -> None:
    html = render_to_string("_form_errors.html", {"form": VisitForm({"planned_on": ""})})
    assert '<a href="#id_planned_on">Day</a>' in html
    assert words(html) == "Nothing was saved yet. Please correct: Day : This field is required."


def test_a_form_without_errors_says_nothing_of_errors() -> None:
    assert "role=" not in render_to_string("_form.html", {"form": VisitForm()})


def test_what_is_optional_says_so() -> None:
    assert words(render_to_string("_form_field.html", {"field": VisitForm()["note"]})) == "Note (optional)"


def test_an_unconfirmed_table_says_so_and_a_confirmed_one_names_the_person() -> None:
    table = {"title": "IS 2190", "version": "2026-1", "confirmed_by": "", "confirmed_on": None}
    assert "IS 2190 , version 2026-1 is unconfirmed : shipped defaults" in words(
        render_to_string("_confirm_state.html", {"table": table})
    )
    table |= {"confirmed_by": "M. Ferrand", "confirmed_on": date(2026, 3, 2)}
    assert words(render_to_string("_confirm_state.html", {"table": table})) == (
        "IS 2190 , version 2026-1: confirmed against local code by M. Ferrand on 2 Mar 2026 ."
    )


def test_one_box_for_several_tables_counts_the_unconfirmed() -> None:
    tables = [
        {"title": "A", "confirmed_by": "", "confirm_url": "/confirm"},
        {"title": "B", "confirmed_by": "M. Ferrand"},
    ]
    html = render_to_string("_confirm_states.html", {"tables": tables, "unconfirmed_count": 1})
    assert 'data-tone="soon"' in html
    assert "a table that is unconfirmed" in words(html)
    assert "B : confirmed by M. Ferrand" in words(html)


def test_why_takes_plain_lines_and_lines_with_a_clause() -> None:
    why = [
        "1 March 2015 + 144 months",
        {"text": "Every 12 years.", "source": "29 CFR 1910.157", "clause": "Table L-1"},
    ]
    assert words(render_to_string("_why.html", {"why": why})) == (
        "1 March 2015 + 144 months Every 12 years. 29 CFR 1910.157, Table L-1"
    )


def test_paging_keeps_the_filters() -> None:
    page = Paginator(range(120), 50).page(2)
    html = render_to_string(
        "_paging.html",
        {"page_obj": page, "thing": "rows"},
        request=RequestFactory().get("/due/?task=recharge&page=2"),
    )
    assert re.findall(r'<a [^>]*href="([^"]+)"', html) == [
        "?task=recharge&amp;page=1",
        "?task=recharge&amp;page=3",
    ]
    assert words(html).startswith("51–100 of 120 rows")


@pytest.mark.parametrize(
    ("count", "is_more", "said"),
    [(1, False, "1 of 1 visit"), (2, False, "1–2 of 2 visits"), (1, True, "1 of 1+ visits")],
)
def test_paging_counts_one_as_one(count: int, is_more: bool, said: str) -> None:
    context = {"page_obj": Paginator(range(count), 50).page(1), "thing": "visits", "is_more": is_more}
    assert words(render_to_string("_paging.html", context)) == said


@pytest.mark.parametrize(("count", "folds"), [(3, False), (4, True)])
def test_few_pages_stay_in_view_on_a_phone(count: int, folds: bool) -> None:
    items = [{"label": str(n), "url": "#", "is_current": n == 0} for n in range(count)]
    html = render_to_string("_nav.html", {"nav_items": items})
    assert ("nav-folds" in html) is folds
    assert html.count('aria-current="page"') == 1


def test_the_bar_names_nobody_who_has_not_signed_in() -> None:
    stranger = SimpleNamespace(is_authenticated=False, display_name="R. Holm")
    assert words(render_to_string("_who.html", {"user": stranger})) == ""


@pytest.mark.parametrize(
    "template", ["400.html", "403.html", "403_csrf.html", "404.html", "500.html", "help/index.html"]
)
def test_pages_stand_without_any_context(template: str) -> None:
    """Error pages are shown when little else works."""
    html = render_to_string(template)
    assert html.count("<h1>") == 1
    assert '<main class="page page-narrow" id="main"' in html


def test_text_from_people_is_escaped() -> None:
    html = render_to_string("_status.html", {"status": {"tone": "ok", "word": "<b>x</b>"}})
    assert "&lt;b&gt;x&lt;/b&gt;" in html
