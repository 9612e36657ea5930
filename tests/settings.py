"""The project's settings, but for tests: a throw-away data folder and quick passwords."""

import atexit
import os
import shutil
import tempfile

# What a shell or a service file has set must not decide how a test ends. The two servers stay: they
# choose the home that is tested.
for _name in (
    *(
        "ALLOWED_HOSTS",
        "BEHIND_HTTPS_PROXY",
        "DEBUG",
        "FIRM_ADDRESS",
        "FIRM_EMAIL",
        "FIRM_LICENCE",
        "FIRM_NAME",
    ),
    *("FIRM_PHONE", "FIRM_TIME_ZONE", "HEARTBEAT_S", "HSTS_SECONDS", "NIGHTLY_HOUR", "PAPER_SIZE", "PORT"),
    *("PUBLIC_URL", "SECRET_KEY", "WEB_PROCESSES", "WEB_THREADS", "WORKER_PROCESSES"),
):
    os.environ.pop(_name, None)

_data_dir = tempfile.mkdtemp(prefix="servicedesk-tests-")
atexit.register(shutil.rmtree, _data_dir, ignore_errors=True)
os.environ["DATA_DIR"] = _data_dir
os.environ["SECRET_KEY"] = "a-key-for-tests-only-that-guards-nothing-at-all"

from servicedesk.settings import *  # noqa: E402, F403
from servicedesk.settings import DATABASES, EMBEDDED, STORAGES  # noqa: E402

PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
STORAGES = {**STORAGES, "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"}}
WHITENOISE_USE_FINDERS = True
WHITENOISE_AUTOREFRESH = True

if EMBEDDED:
    # A file, as in the real home: an in-memory database is shared by all threads of a test's web server
    # and would hide every locking fault. It is thrown away, so it need not survive a power cut.
    DATABASES["default"]["TEST"] = {"NAME": f"{_data_dir}/test.sqlite3"}
    DATABASES["default"]["OPTIONS"]["init_command"] += " PRAGMA synchronous=OFF;"
