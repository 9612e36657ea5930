"""What certificates say more at one place: chosen by country and region, frozen, printed."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest

from schedules.certificates.content import digest_of
from schedules.certificates.forms import FormError, form_for, forms, read_forms
from schedules.certificates.models import Certificate
from schedules.certificates.paper import certificate_html
from schedules.certificates.services import issue_period_certificate
from tests.factories import NOW, TODAY, make_user
from tests.servicedesk.portal.cast import Premises, make_premises


@pytest.mark.parametrize(
    ("country", "region", "kind", "code"),
    [
        ("DE", "", "visit", "common"),
        ("", "", "condition", "common"),
        ("HK", "", "visit", "hk"),
        ("HK", "", "condition", "common"),
        ("AU", "Victoria", "condition", "au-condition"),
        ("IN", "maharashtra ", "period", "in-mh-period"),
        ("IN", "Kerala", "period", "common"),
        ("GB", "", "visit", "gb"),
        ("us", "Texas", "visit", "us-tx"),
        ("US", "Florida", "period", "us-fl"),
        ("US", "Ohio", "visit", "common"),
    ],
)
def test_the_nearest_place_gives_the_form(country: str, region: str, kind: str, code: str) -> None:
    assert form_for(country, region, kind).code == code


def test_the_shipped_forms_differ_in_content_and_name_their_source() -> None:
    assert len({(form.title, form.fields, form.lines, form.clock) for form in forms()}) == len(forms())
    assert all(form.source and form.read for form in forms())


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('code = "x"\nkinds = ["visit"]\nfields = []\nsource = "s"', "the field read is missing"),
        ('code = "x"\nkinds = ["year"]\nfields = []\nsource = "s"\nread = "MEMORY"', "'year' is none of"),
        (
            'code = "x"\nkinds = ["visit"]\nfields = [["A", "b"]]\nsource = "s"\nread = "MEMORY"',
            "give a label",
        ),
        (
            'code = "x"\nkinds = ["visit"]\nfields = []\nlines = ["{all}"]\nsource = "s"\nread = "MEMORY"',
            "all is none of",
        ),
        ('code = "x"\nkinds = ["visit"]\nfields = []\nsource = "s"\nread = "HEARD"', "'HEARD' is none of"),
    ],
)
def test_a_form_that_cannot_be_used_is_refused_by_name(text: str, said: str) -> None:
    with pytest.raises(FormError, match=said):
        read_forms(tomllib.loads(f"[[form]]\n{text}\n"))


def _printed(certificate: Certificate) -> str:
    return certificate_html(certificate.content, digest=digest_of(certificate.content))


@pytest.fixture
def hong_kong(db: None, monkeypatch: Any) -> Premises:
    monkeypatch.setattr("django.utils.timezone.now", lambda: NOW)
    premises = make_premises("Harrow Mills", site="Mill Lane works")
    premises.site.country = "HK"
    premises.site.save()
    return premises


def test_the_form_is_frozen_and_printed_and_says_no_more_than_the_records(hong_kong: Premises) -> None:
    certificate = hong_kong.serve(hong_kong.unit, result="not_found")
    form = certificate.content["form"]
    assert form["code"] == "hk"
    assert {"label": "In efficient working order", "value": "0 of 1 units listed; the other 1 are named in "
            "the table and the exceptions"} in form["fields"]  # fmt: skip
    assert "0 of 1 units were found in efficient working order" in form["lines"][0]
    html = _printed(certificate)
    assert "<h1>Certificate of portable equipment, with its working order</h1>" in html
    assert "within 14 days" in html
    assert "Default form to confirm against local code." in html
    assert certificate.content_digest == digest_of(certificate.content)


def test_a_period_in_maharashtra_names_the_clock_and_one_without_a_form_prints_too(
    hong_kong: Premises,
) -> None:
    hong_kong.serve(hong_kong.unit)
    hong_kong.site.country, hong_kong.site.region = "IN", "Maharashtra"
    hong_kong.site.save()
    paper = issue_period_certificate(
        hong_kong.site, TODAY.replace(month=6, day=1), TODAY, "period", by=make_user("manager"), now=NOW
    )
    html = _printed(paper)
    assert "files it with the chief fire officer in January and in July" in html
    assert "1 of 1 units passed" in html
    old = {name: value for name, value in paper.content.items() if name != "form"}
    assert "Certificate of service for a period" in certificate_html(old, digest="0" * 64)
