"""Keeps a handful of processes alive and takes them all down together.

Guarantees: a child that ends is started again after a pause that doubles from half a second up to half
a minute; a request to stop ends every child, and what a child left behind, within the grace given; if
the supervisor itself is killed, the kernel ends the children (Linux only).
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

PAUSE_FIRST_S = 0.5
PAUSE_MOST_S = 30.0
# A child that ran this long was well; its next end starts again with the shortest pause.
WELL_AFTER_S = 60.0
LOOK_EVERY_S = 0.1
_PR_SET_PDEATHSIG = 1


def die_with_parent(parent_pid: int) -> Callable[[], None]:
    """What a child runs before its program so that it ends with the process ``parent_pid``."""
    if sys.platform != "linux":
        return lambda: None
    # Loaded here and not in the child: between fork and exec hardly anything is safe to do.
    libc = ctypes.CDLL(None)

    def prepare() -> None:
        libc.prctl(_PR_SET_PDEATHSIG, signal.SIGTERM)
        if os.getppid() != parent_pid:  # it ended before the line above
            os._exit(1)

    return prepare


@dataclass(slots=True)
class Child:
    """One process to keep alive; ``last`` children are stopped only after all others have ended."""

    name: str
    argv: Sequence[str]
    last: bool = False
    process: subprocess.Popen[bytes] | None = None
    started_at_s: float = 0.0
    start_at_s: float = 0.0
    pause_s: float = PAUSE_FIRST_S

    def signal_all(self, signum: int) -> None:
        """Send ``signum`` to the process and to all that it started."""
        if self.process is not None:
            # Each child leads a process group of its own.
            with contextlib.suppress(ProcessLookupError, PermissionError):
                os.killpg(self.process.pid, signum)


@dataclass(slots=True)
class Supervisor:
    """Starts ``children`` and looks after them until told to stop."""

    children: list[Child]
    say: Callable[[str], None]
    environ: Mapping[str, str]
    grace_s: float = 8.0
    clock: Callable[[], float] = time.monotonic
    _asked: int = field(default=0, init=False)

    def ask_to_stop(self, *_: object) -> None:
        """Stop at the next look; asked twice, without grace. Serves as a signal handler."""
        self._asked += 1

    @property
    def stopping(self) -> bool:
        return self._asked > 0

    def start(self, child: Child) -> None:
        """Start the process of ``child``."""
        child.process = subprocess.Popen(
            child.argv,
            env=dict(self.environ),
            stdin=subprocess.DEVNULL,
            # A group of its own: Ctrl-C at the terminal reaches the supervisor alone, which then stops
            # the children in order.
            start_new_session=True,
            preexec_fn=die_with_parent(os.getpid()),
        )
        child.started_at_s = self.clock()

    def look_once(self) -> None:
        """Start what has ended and has waited long enough."""
        now = self.clock()
        for child in self.children:
            if child.process is None:
                if now >= child.start_at_s:
                    self.start(child)
            elif child.process.poll() is not None:
                code = child.process.returncode
                child.signal_all(signal.SIGKILL)  # what it left behind would work on unseen
                if now - child.started_at_s >= WELL_AFTER_S:
                    child.pause_s = PAUSE_FIRST_S
                self.say(f"{child.name} ended ({_ending(code)}); starting it again in {child.pause_s:g} s")
                child.process, child.start_at_s = None, now + child.pause_s
                child.pause_s = min(2 * child.pause_s, PAUSE_MOST_S)

    def run(self, each_look: Callable[[], None] = lambda: None) -> None:
        """Look after the children until asked to stop, then end them all; ``each_look`` runs in between."""
        try:
            while not self.stopping:
                self.look_once()
                each_look()
                time.sleep(LOOK_EVERY_S)
        finally:
            self.stop()

    def stop(self) -> None:
        """End every child: first those that use others, then the ``last`` ones."""
        for last in (False, True):
            group = [child for child in self.children if child.last == last and child.process is not None]
            for child in group:
                # To the leader alone: it ends its own helpers in order.
                if child.process is not None and child.process.poll() is None:
                    child.process.terminate()
            until = self.clock() + self.grace_s
            while any(child.process and child.process.poll() is None for child in group):
                if self._asked > 1 or self.clock() >= until:
                    break
                time.sleep(LOOK_EVERY_S / 2)
            for child in group:
                child.signal_all(signal.SIGKILL)
                if child.process is not None:
                    child.process.wait()
                    child.process = None


def _ending(code: int) -> str:
    if code >= 0:
        return f"exit {code}"
    try:
        return signal.Signals(-code).name
    except ValueError:
        return f"signal {-code}"
