"""The project's settings, but for tests: a throw-away data folder and quick passwords."""

import atexit
import os
import re
import shutil
import tempfile
from pathlib import Path

# What a shell or a service file has set must not decide how a test ends. The two servers stay: they
# choose the home that is tested.
_source = Path(__file__).resolve().parent.parent / "servicedesk" / "settings.py"
for _name in re.findall(r'env_\w+\(\s*"([A-Z_]+)"', _source.read_text("utf-8")):
    if _name not in ("DATABASE_URL", "REDIS_URL"):
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
