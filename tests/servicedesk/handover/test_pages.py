"""The pages and the command: asking, fetching, stopping, trying out, taking over."""

from __future__ import annotations

import io
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.core.management import CommandError, call_command
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from pytest_django import DjangoAssertNumQueries

from inventory.register.models import Unit
from servicedesk.handover import runs
from servicedesk.handover.models import HandedRow, HandoverRun, TakeOver
from servicedesk.handover.writing import write_handover
from tests.factories import make_user
from tests.servicedesk.handover.cast import build, handed_bytes, made_elsewhere, opened


@pytest.fixture
def manager(db: None, settings: Any, tmp_path: Path) -> Client:
    """A manager's browser; files go to a folder of the test."""
    settings.MEDIA_ROOT = tmp_path
    client = Client()
    client.force_login(make_user("manager"))
    return client


def ask(client: Client, **given: str) -> HandoverRun:
    answer = client.post(reverse("desk:handover"), {"form": "json"} | given)
    assert answer.status_code == 302, answer.content
    return HandoverRun.objects.order_by("-pk")[0]


def test_a_small_one_is_ready_at_once_and_only_managers_fetch_it(manager: Client) -> None:
    built = build(with_paper=False)
    run = ask(manager, owner=str(built.owner.public_id), with_papers="on")
    assert run.finished_at is not None
    answer = manager.get(reverse("desk:handover-file", args=[run.public_id]))
    data = b"".join(answer.streaming_content)  # type: ignore[attr-defined]
    assert len(data) == run.file_length
    assert opened(data).head["covers"]["owners"] == ["Harrow Mills"]
    for role in ("dispatcher", "technician", "workshop", "owner"):
        other = Client()
        other.force_login(make_user(role))
        assert other.get(reverse("desk:handover-file", args=[run.public_id])).status_code == 403
    wrong = {"form": "json", "owner": str(built.owner.public_id), "site": str(built.site.public_id)}
    assert manager.post(reverse("desk:handover"), wrong).status_code == 400


def test_a_large_one_is_written_by_a_worker_and_can_be_stopped(
    manager: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    build(with_paper=False)
    monkeypatch.setattr(runs, "AT_ONCE", 0)
    run = ask(manager)
    assert run.finished_at is None
    assert "0 of about" in manager.get(reverse("desk:handover")).content.decode()
    assert runs.waiting_runs(timezone.now()) == [run.pk]
    # Stopped while it is written: the next word to it ends it, and nothing is left.
    whole = write_handover

    def stopped(*args: Any, **kwargs: Any) -> Any:
        runs.stop(run)
        return whole(*args, **kwargs)

    monkeypatch.setattr(runs, "write_handover", stopped)
    assert not runs.work_on(run.pk)
    assert not list(runs.path_of(run).glob("**/*.zip"))
    run.refresh_from_db()
    assert (run.is_stopped, run.finished_at) == (True, None)
    # Another one goes through; a second worker finds nothing to do.
    monkeypatch.setattr(runs, "write_handover", whole)
    again = ask(manager)
    assert runs.work_on(again.pk)
    assert not runs.work_on(again.pk)
    again.refresh_from_db()
    assert again.rows_done > 0
    assert runs.path_of(again).stat().st_size == again.file_length
    # A worker that failed says so.
    broken = ask(manager)
    monkeypatch.setattr(runs, "write_handover", lambda *args, **kwargs: 1 / 0)
    assert not runs.work_on(broken.pk)
    assert "ZeroDivisionError" in manager.get(reverse("desk:handover")).content.decode()
    # A week later the file is gone.
    path = runs.path_of(again)
    assert runs.waiting_runs(timezone.now() + timedelta(days=8)) == []
    assert not path.exists()
    assert not HandoverRun.objects.exists()


@pytest.mark.parametrize("count", [1, 3])
def test_the_pages_cost_the_same_queries_however_long(
    manager: Client, count: int, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    user = make_user("manager")
    for number in range(count):
        HandoverRun.objects.create(level="firm", form="json", asked_by=user, asked_at=timezone.now())
        TakeOver.objects.create(
            content_digest=f"{number:064}",
            house=user.public_id,
            handed_over_at=timezone.now(),
            taken_by=user,
            taken_at=timezone.now(),
        )
    # session, user; sites, owners; number of runs, runs
    with django_assert_num_queries(6):
        manager.get(reverse("desk:handover"))
    # session, user; number of take-overs, take-overs
    with django_assert_num_queries(4):
        manager.get(reverse("desk:take-over"))


def test_a_file_is_tried_out_then_taken_over(manager: Client) -> None:
    data, built = made_elsewhere(build)
    page = reverse("desk:take-over")
    answer = manager.post(page, {"do": "try", "file": SimpleUploadedFile("h.zip", data)})
    assert answer.status_code == 200
    assert "Nothing is stored yet" in answer.content.decode()
    assert not Unit.objects.exists()
    answer = manager.post(page, {"do": "take"})
    assert "Taken over: 1 owners" in answer.content.decode()
    assert Unit.objects.filter(public_id=built.unit.public_id).exists()
    # Twice: nothing waits any more, and the same file changes nothing.
    assert manager.post(page, {"do": "take"}).status_code == 302
    answer = manager.post(page, {"do": "try", "file": SimpleUploadedFile("h.zip", data)})
    assert "taken over before" in answer.content.decode()
    bad = manager.post(page, {"do": "try", "file": SimpleUploadedFile("h.zip", b"PK nothing")})
    assert bad.status_code == 400
    assert "cannot be read" in bad.content.decode()

    paper = HandedRow.objects.get(table_name="certificate_files")
    address = reverse("desk:taken-paper", args=[paper.pk])
    found = b"".join(manager.get(address).streaming_content)  # type: ignore[attr-defined]
    assert found[:5] == b"%PDF-"
    owner, stranger = Client(), Client()
    assert paper.site is not None
    owner.force_login(make_user("owner", owner=paper.site.owner))
    stranger.force_login(make_user("owner"))
    answer = owner.get(address)
    assert b"".join(answer.streaming_content)[:5] == b"%PDF-"  # type: ignore[attr-defined]
    assert stranger.get(address).status_code == 404


def test_the_command_takes_over_for_managers_only(manager: Client, tmp_path: Path) -> None:
    data, built = made_elsewhere(lambda: build(with_paper=False))
    path = tmp_path / "file.zip"
    path.write_bytes(data)
    boss, desk = make_user("manager"), make_user("dispatcher")
    with pytest.raises(CommandError, match="not the sign-in name of a manager"):
        call_command("take_over", path, by=desk.username)
    with pytest.raises(CommandError, match="cannot be read"):
        call_command("take_over", tmp_path / "none.zip", by=boss.username)
    out = io.StringIO()
    call_command("take_over", path, by=boss.username, dry_run=True, stdout=out)
    assert "nothing was stored" in out.getvalue()
    assert not Unit.objects.exists()
    call_command("take_over", path, by=boss.username, stdout=out)
    assert Unit.objects.filter(public_id=built.unit.public_id).exists()
    path.write_bytes(handed_bytes(form="csv"))
    err = io.StringIO()
    with pytest.raises(CommandError, match="Nothing was taken over"):
        call_command("take_over", path, by=boss.username, stdout=out, stderr=err)
    assert "register.json" in err.getvalue()
