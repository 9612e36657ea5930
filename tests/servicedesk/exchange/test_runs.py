"""Long work on a register file: in the background, stopped, lost, taken over, by two at once."""

from __future__ import annotations

import sqlite3
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from django.db import connection

from inventory.bulk import commits_seen
from inventory.logbook.services import broken_links
from inventory.register.models import Unit
from servicedesk import tasks
from servicedesk.exchange import runs
from servicedesk.exchange.importing import import_register
from servicedesk.exchange.models import SILENT, ImportLine, RegisterImport
from tests.factories import NOW, make_user
from tests.servicedesk.exchange.test_importing import HEAD, row

pytestmark = pytest.mark.django_db
State = RegisterImport.State


@pytest.fixture(autouse=True)
def nudged(tmp_path: Path, settings: Any, monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Every file is a long one, and nobody works on it unless the test does."""
    settings.MEDIA_ROOT = tmp_path
    told: list[int] = []
    monkeypatch.setattr(runs, "clock", lambda: NOW)
    monkeypatch.setattr(runs, "FOREGROUND_ROWS", 0)
    monkeypatch.setattr(runs, "WRITE_EVERY_S", 0.0)
    monkeypatch.setattr(runs, "nudge", told.append)
    return told


def file_of(count: int) -> bytes:
    rows = [row(serial=f"S{n}", **{"location number": str(n)}) for n in range(count)]
    return (HEAD + "".join(rows)).encode()


def received(count: int = 3, *, by: Any = None) -> RegisterImport:
    by = by or make_user("dispatcher")
    return runs.receive(file_of(count), file_name="register.csv", source=None, by=by, now=NOW)


def asked(run: RegisterImport) -> RegisterImport:
    runs.settle(run, columns=run.columns, answers={}, by=make_user("dispatcher"), now=NOW)
    run.refresh_from_db()
    return run


def read(count: int = 3) -> RegisterImport:
    run = asked(received(count))
    assert not runs.work_on(run.pk)
    run.refresh_from_db()
    assert run.state == State.READ, run.error
    return run


def confirmed(run: RegisterImport) -> RegisterImport:
    runs.confirm(run, version=run.version, by=make_user("manager"), now=NOW)
    run.refresh_from_db()
    return run


def test_a_long_file_is_worked_on_step_by_step(
    nudged: list[int], django_capture_on_commit_callbacks: Any
) -> None:
    run = received()
    with django_capture_on_commit_callbacks(execute=True):
        asked(run)
    assert (run.state, nudged) == (State.READING, [run.pk])
    assert runs.waiting_runs(NOW) == [run.pk]
    assert not runs.work_on(run.pk)
    run.refresh_from_db()
    assert (run.state, run.counts["added"], Unit.objects.count()) == (State.READ, 3, 0)
    confirmed(run)
    assert runs.work_on(run.pk)  # stored; the due dates are a step of their own
    run.refresh_from_db()
    assert (run.state, Unit.objects.count()) == (State.DATING, 3)
    assert not Unit.objects.filter(freshness__isnull=False).exists()
    assert not runs.work_on(run.pk)
    run.refresh_from_db()
    assert run.state == State.STORED
    assert Unit.objects.filter(freshness__isnull=False).count() == 3
    assert runs.waiting_runs(NOW) == []
    assert all(broken_links(unit) == [] for unit in Unit.objects.all())


def test_the_periodic_job_finds_what_a_lost_message_left(monkeypatch: pytest.MonkeyPatch) -> None:
    run = asked(received())
    sent: list[int] = []
    monkeypatch.setattr(tasks.work_on_import, "delay", sent.append)
    assert tasks.resume_imports() == 1
    assert sent == [run.pk]
    assert tasks.work_on_import(run.pk) is False
    run.refresh_from_db()
    assert run.state == State.READ


def test_a_step_of_a_lost_worker_is_begun_again_and_nothing_stands_twice(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    run = confirmed(read())

    def dies(*args: Any, **kwargs: Any) -> None:
        raise KeyboardInterrupt  # as when the process is killed: nobody tidies up

    with monkeypatch.context() as patch:
        patch.setattr(runs, "_write_outcome", dies)
        with pytest.raises(KeyboardInterrupt):
            runs.work_on(run.pk)
    run.refresh_from_db()
    assert (run.state, Unit.objects.count()) == (State.STORING, 0)
    assert not runs.work_on(run.pk)  # it may still live
    assert runs.waiting_runs(NOW) == []
    assert run.heard_at is not None
    later = run.heard_at + SILENT + timedelta(seconds=1)
    monkeypatch.setattr(runs, "clock", lambda: later)
    assert run.is_silent(later)
    assert runs.waiting_runs(later) == [run.pk]
    assert runs.work_on(run.pk)
    run.refresh_from_db()
    assert (run.state, Unit.objects.count()) == (State.DATING, 3)
    assert ImportLine.objects.filter(run=run).count() == 3


def test_a_run_that_kills_its_workers_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    run = asked(received())
    dead = {"claim": run.public_id, "heard_at": NOW - timedelta(hours=1), "tries": runs.MOST_TRIES}
    RegisterImport.objects.filter(pk=run.pk).update(**dead)
    assert not runs.work_on(run.pk)
    run.refresh_from_db()
    assert run.state == State.SETTLING
    assert "lost three times" in run.error


def test_a_worker_that_was_taken_for_lost_writes_nothing_any_more(monkeypatch: pytest.MonkeyPatch) -> None:
    run = confirmed(read())
    real = runs._write_outcome

    def overtaken(*args: Any) -> None:
        real(*args)
        RegisterImport.objects.filter(pk=run.pk).update(claim=run.public_id)

    monkeypatch.setattr(runs, "_write_outcome", overtaken)
    assert not runs.work_on(run.pk)
    assert Unit.objects.count() == 0


def test_a_step_is_stopped_by_a_person_and_leaves_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    run = asked(received(1200))
    heard: list[int] = []
    real = runs._Progress.write

    def write(self: Any, done: int, total: int, **more: Any) -> None:
        heard.append(done)
        if done:
            runs.stop(run)
        real(self, done, total, **more)

    monkeypatch.setattr(runs._Progress, "write", write)
    assert not runs.work_on(run.pk)
    run.refresh_from_db()
    assert (run.state, run.is_stop_asked) == (State.SETTLING, False)
    assert max(heard) < 1200
    assert not ImportLine.objects.exists()
    # Asked to stop before any worker took it: there is nothing to wait for.
    asked(run)
    runs.stop(run)
    run.refresh_from_db()
    assert run.state == State.SETTLING


def test_two_people_with_the_same_file_at_once_double_nothing() -> None:
    one, two = confirmed(read()), confirmed(read())
    assert two.counts["added"] == 3
    assert runs.work_on(one.pk)
    assert runs.work_on(two.pk)
    two.refresh_from_db()
    assert (Unit.objects.count(), two.counts["added"], two.counts["unchanged"]) == (3, 0, 3)


def test_a_register_that_moved_under_the_report_stops_the_storing() -> None:
    run = read()
    other = file_of(3).replace(b"Harrow Mill", b"Somebody Else")
    import_register(other, by=None, now=NOW)
    confirmed(run)
    assert not runs.work_on(run.pk)
    run.refresh_from_db()
    assert run.state == State.READ
    assert "The register changed since the file was looked at" in run.error


@pytest.mark.parametrize("is_disturbed", [False, True])
def test_rows_are_compared_again_when_somebody_wrote_meanwhile(
    is_disturbed: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is stored is what stands in the register when the lock is held, not what stood there before."""
    run = confirmed(read())
    numbers = iter(range(9))
    monkeypatch.setattr(runs, "commits_seen", lambda: next(numbers) if is_disturbed else 1)
    meet, met = runs.meet_reading, []

    def counted(*args: Any, **kwargs: Any) -> Any:
        met.append(meet(*args, **kwargs))
        if is_disturbed and len(met) == 1:
            # The other one brings the same units in after the first look.
            import_register(file_of(3), by=None, now=NOW, refresh=False)
        return met[-1]

    monkeypatch.setattr(runs, "meet_reading", counted)
    runs.work_on(run.pk)
    run.refresh_from_db()
    assert run.state == RegisterImport.State.DATING
    assert len(met) == (2 if is_disturbed else 1)
    assert Unit.objects.count() == 3
    assert run.counts["added"] == (0 if is_disturbed else 3)


def test_the_database_says_whether_another_connection_wrote(tmp_path: Path) -> None:
    with (
        sqlite3.connect(tmp_path / "two.sqlite3") as ours,
        sqlite3.connect(tmp_path / "two.sqlite3") as theirs,
    ):
        ours.execute("CREATE TABLE t (n)")
        before = ours.execute("PRAGMA data_version").fetchone()
        ours.execute("INSERT INTO t VALUES (1)")
        ours.commit()
        assert ours.execute("PRAGMA data_version").fetchone() == before
        theirs.execute("INSERT INTO t VALUES (2)")
        theirs.commit()
        assert ours.execute("PRAGMA data_version").fetchone() != before
    assert (commits_seen() is None) == (connection.vendor != "sqlite")


def test_what_fails_is_told_and_changes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    run = confirmed(read())

    def fails(*args: Any) -> None:
        raise OSError("disk full")

    monkeypatch.setattr(runs, "_write_outcome", fails)
    assert not runs.work_on(run.pk)
    run.refresh_from_db()
    assert (run.state, Unit.objects.count()) == (State.READ, 0)
    assert "disk full" in run.error


def test_a_long_undo_is_a_step_of_the_background_too() -> None:
    run = confirmed(read())
    while runs.work_on(run.pk):
        pass
    run.refresh_from_db()
    runs.ask_undo(run, by=make_user("manager"))
    run.refresh_from_db()
    assert (run.state, Unit.objects.on_duty().count()) == (State.UNDOING, 3)
    assert not runs.work_on(run.pk)
    run.refresh_from_db()
    assert (run.state, Unit.objects.on_duty().count()) == (State.UNDONE, 0)
    assert all(broken_links(unit) == [] for unit in Unit.objects.all())


def test_storing_asks_no_more_for_many_rows_than_for_few(django_assert_max_num_queries: Any) -> None:
    few, many = confirmed(read(2)), None
    with django_assert_max_num_queries(90) as small:
        runs.work_on(few.pk)
    many = asked(runs.receive(
        file_of(400).replace(b"HM1", b"HM2"), file_name="x.csv", source=None, by=make_user(), now=NOW
    ))  # fmt: skip
    runs.work_on(many.pk)
    many.refresh_from_db()
    confirmed(many)
    with django_assert_max_num_queries(len(small) + 15):
        runs.work_on(many.pk)
