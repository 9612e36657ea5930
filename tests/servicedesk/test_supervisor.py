"""The supervisor's rules, with a clock of the test's own."""

from __future__ import annotations

import os
import select
import signal
import subprocess
import sys

import pytest

from servicedesk.supervisor import PAUSE_FIRST_S, PAUSE_MOST_S, WELL_AFTER_S, Child, Supervisor

ENDS_AT_ONCE = [sys.executable, "-S", "-c", "raise SystemExit(3)"]
WAITS = [sys.executable, "-S", "-c", "import signal; print(flush=True); signal.pause()"]
# Takes no notice of a polite request; says that it is ready first.
STUBBORN = [
    sys.executable,
    "-S",
    "-c",
    "import signal; signal.signal(signal.SIGTERM, signal.SIG_IGN); print(flush=True); signal.pause()",
]


class Bench:
    """A supervisor of one child whose words and time are at hand."""

    def __init__(self, argv: list[str], **options: float) -> None:
        self.now_s = 0.0
        self.said: list[str] = []
        self.child = Child("part", argv)
        self.supervisor = Supervisor(
            [self.child], say=self.said.append, environ=os.environ, clock=lambda: self.now_s, **options
        )

    def ended(self) -> None:
        """Wait until the child's process has ended by itself."""
        assert self.child.process is not None
        self.child.process.wait(10)


@pytest.fixture
def stopped() -> object:
    """Takes benches and stops them at the end, so that a failed test leaves no process."""
    benches: list[Bench] = []
    yield benches.append
    for bench in benches:
        bench.supervisor.ask_to_stop()
        bench.supervisor.ask_to_stop()
        bench.supervisor.stop()


def test_a_part_that_ends_is_started_again_after_its_pause(stopped) -> None:
    bench = Bench(ENDS_AT_ONCE)
    stopped(bench)
    bench.supervisor.look_once()
    first = bench.child.process
    bench.ended()
    bench.supervisor.look_once()
    assert bench.said == ["part ended (exit 3); starting it again in 0.5 s"]
    bench.now_s += PAUSE_FIRST_S - 0.01
    bench.supervisor.look_once()
    assert bench.child.process is None
    bench.now_s += 0.01
    bench.supervisor.look_once()
    assert bench.child.process is not None
    assert bench.child.process is not first


def test_the_pause_doubles_up_to_its_most_and_shrinks_after_a_good_run(stopped) -> None:
    bench = Bench(ENDS_AT_ONCE)
    stopped(bench)
    pauses = []
    for _ in range(9):
        bench.supervisor.look_once()
        bench.ended()
        bench.supervisor.look_once()
        pauses.append(bench.child.start_at_s - bench.now_s)
        bench.now_s = bench.child.start_at_s
    assert pauses == [0.5, 1, 2, 4, 8, 16, PAUSE_MOST_S, PAUSE_MOST_S, PAUSE_MOST_S]

    bench.supervisor.look_once()
    bench.ended()
    bench.now_s += WELL_AFTER_S
    bench.supervisor.look_once()
    assert bench.child.start_at_s - bench.now_s == PAUSE_FIRST_S


def test_a_part_killed_by_a_signal_is_said_so(stopped) -> None:
    bench = Bench(WAITS)
    stopped(bench)
    bench.supervisor.look_once()
    assert bench.child.process is not None
    bench.child.process.kill()
    bench.ended()
    bench.supervisor.look_once()
    assert bench.said == ["part ended (SIGKILL); starting it again in 0.5 s"]


def test_what_a_dead_part_left_behind_is_ended(stopped) -> None:
    # The part starts a helper that would live on, names it and ends.
    bench = Bench(
        [
            sys.executable,
            "-S",
            "-c",
            "import subprocess, sys; print(subprocess.Popen(["
            "sys.executable, '-S', '-c', 'import signal; signal.pause()'], stdout=2).pid, flush=True)",
        ]
    )
    stopped(bench)
    read, write = os.pipe()
    saved = os.dup(1)
    os.dup2(write, 1)
    try:
        bench.supervisor.look_once()
    finally:
        os.dup2(saved, 1)
        os.close(saved)
        os.close(write)
    with os.fdopen(read) as output:
        helper = int(output.readline())
    watch = os.pidfd_open(helper)
    bench.ended()
    bench.supervisor.look_once()
    assert select.select([watch], [], [], 10)[0] == [watch]
    os.close(watch)


def test_stopping_ends_a_part_that_does_not_listen() -> None:
    with subprocess.Popen(STUBBORN, stdout=subprocess.PIPE, start_new_session=True) as process:
        assert process.stdout is not None
        process.stdout.readline()
        child = Child("part", STUBBORN, process=process)
        supervisor = Supervisor([child], say=str, environ=os.environ, grace_s=0.2)
        supervisor.stop()
        assert process.returncode == -signal.SIGKILL
    assert child.process is None


def test_asked_twice_it_grants_no_grace() -> None:
    with subprocess.Popen(STUBBORN, stdout=subprocess.PIPE, start_new_session=True) as process:
        assert process.stdout is not None
        process.stdout.readline()
        child = Child("part", STUBBORN, process=process)
        supervisor = Supervisor([child], say=str, environ=os.environ, grace_s=3600)
        supervisor.ask_to_stop()
        supervisor.ask_to_stop()
        supervisor.stop()
        assert process.returncode == -signal.SIGKILL


def test_parts_that_others_use_are_stopped_last() -> None:
    order: list[str] = []

    class Noting(Child):
        __slots__ = ()

        def signal_all(self, signum: int) -> None:
            order.append(self.name)
            super().signal_all(signum)

    children = [Noting("broker", WAITS, last=True), Noting("web", WAITS), Noting("worker", WAITS)]
    supervisor = Supervisor(children, say=str, environ=os.environ)
    supervisor.look_once()
    supervisor.stop()
    assert order == ["web", "worker", "broker"]
    assert [child.process for child in children] == [None, None, None]
