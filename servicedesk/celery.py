"""The Celery application: background jobs of all packages."""

from __future__ import annotations

import ctypes
import os
import signal
import sys
import warnings
from typing import Any

from celery import Celery
from celery.exceptions import SecurityWarning
from celery.signals import beat_init, worker_process_init

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "servicedesk.settings")

# Warns of root because a pickled message could run anything; messages here are JSON and nothing else.
warnings.filterwarnings("ignore", category=SecurityWarning, message="You're running the worker")

app = Celery("servicedesk")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks(["inventory", "schedules", "servicedesk"])


@worker_process_init.connect
def _end_with_the_worker(**_: Any) -> None:
    """Have the kernel end a pool process when its worker is killed: it would finish its job unseen."""
    if sys.platform == "linux":
        pr_set_pdeathsig = 1
        ctypes.CDLL(None).prctl(pr_set_pdeathsig, signal.SIGKILL)


@beat_init.connect
def _first_heartbeat(**_: Any) -> None:
    """Let the health page know that beat is up without waiting for the first period."""
    app.send_task("servicedesk.tasks.heartbeat", expires=60)
