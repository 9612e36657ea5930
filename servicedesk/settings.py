"""All settings of the project; what a site may change comes from the environment.

Two homes, one code. *Embedded*: no variable set; SQLite, the broker that ``manage.py up`` starts,
everything in the folder DATA_DIR. *Server*: DATABASE_URL (PostgreSQL) and REDIS_URL name servers.
"""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from urllib.parse import quote, urlsplit

import dj_database_url
from celery.schedules import crontab
from csp.constants import NONE, SELF

from servicedesk.env import (
    env_bool,
    env_choice,
    env_int,
    env_list,
    env_path,
    env_secret,
    env_text,
    env_url,
    env_zone,
    socket_path,
    tile_origins,
)

BASE_DIR = Path(__file__).resolve().parent.parent
DATA_DIR = env_path("DATA_DIR", BASE_DIR / "var", base=BASE_DIR)
DATABASE_URL = env_url("DATABASE_URL", "", schemes=("sqlite", "postgres", "postgresql"))
REDIS_URL = env_url("REDIS_URL", "", schemes=("redis", "rediss", "unix"))
EMBEDDED = not DATABASE_URL

DEBUG = env_bool("DEBUG", False)
SECRET_KEY = env_secret("SECRET_KEY", keep_in=DATA_DIR / "secret_key" if EMBEDDED or DEBUG else None)

# --- Addresses ------------------------------------------------------------------------------------
PORT = env_int("PORT", 8000, lowest=1, highest=65535)
# What stands in QR codes and mails; whoever scans one must reach this address.
PUBLIC_URL = env_url("PUBLIC_URL", f"http://localhost:{PORT}", schemes=("http", "https"))
_public = urlsplit(PUBLIC_URL)
_https = _public.scheme == "https"
ALLOWED_HOSTS = [
    *env_list("ALLOWED_HOSTS", ("localhost", "127.0.0.1", "[::1]")),
    *([_public.hostname] if _public.hostname else []),
]
CSRF_TRUSTED_ORIGINS = [f"{_public.scheme}://{_public.netloc}"]

# --- The firm that serves the units, as printed on certificates -----------------------------------
FIRM_NAME = env_text("FIRM_NAME", "Tarn & Alder Extinguisher Service")
FIRM_ADDRESS = env_text("FIRM_ADDRESS", "Unit 4, Millrace Yard, Alderby")
FIRM_PHONE = env_text("FIRM_PHONE", "+00 555 0142")
FIRM_EMAIL = env_text("FIRM_EMAIL", "desk@tarn-alder.example")
FIRM_LICENCE = env_text("FIRM_LICENCE", "Demo licence TA-0001")
# Of certificates and lists: A4 or Letter.
PAPER_SIZE = env_choice("PAPER_SIZE", "A4", choices=("A4", "Letter"))
FIRM_TIME_ZONE = env_zone("FIRM_TIME_ZONE", "UTC")
# A TOML file of the form of servicedesk/documents/stocks.toml with the firm's own label stock.
LABEL_STOCK_FILE = env_text("LABEL_STOCK_FILE")
# The firm's certificate for signing papers (PKCS #12). Empty: one of the installation's own making.
SIGNING_FILE = env_text("SIGNING_FILE")
SIGNING_PASSPHRASE = env_text("SIGNING_PASSPHRASE")

# --- The map --------------------------------------------------------------------------------------
# Empty: nothing is fetched from elsewhere; coasts come along. Else https://…/{z}/{x}/{y}.png of a server
# whose terms allow it, with the words that it wants to be named by.
MAP_TILE_URL = env_text("MAP_TILE_URL", "")
MAP_TILE_ATTRIBUTION = env_text("MAP_TILE_ATTRIBUTION", "")
MAP_TILE_MAX_ZOOM = env_int("MAP_TILE_MAX_ZOOM", 18, lowest=1, highest=24)

# --- Driving times --------------------------------------------------------------------------------
# estimate: from straight lines, nothing to set up. valhalla and table ask a server at TRAVEL_URL;
# valhalla-tiles opens the JSON configuration TRAVEL_TILES with Valhalla's own Python package.
TRAVEL_PROVIDER = env_choice(
    "TRAVEL_PROVIDER", "estimate", choices=("estimate", "valhalla", "table", "valhalla-tiles")
)
TRAVEL_URL = env_url("TRAVEL_URL", "", schemes=("http", "https"))
TRAVEL_TILES = env_path("TRAVEL_TILES", DATA_DIR / "valhalla.json", base=BASE_DIR)
TRAVEL_TIMEOUT_S = env_int("TRAVEL_TIMEOUT_S", 10, lowest=1, highest=120)

# --- Parts ----------------------------------------------------------------------------------------
INSTALLED_APPS = [
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "django.contrib.staticfiles",
    "rest_framework",
    "rest_framework.authtoken",
    "django_filters",
    "drf_spectacular",
    "axes",
    "csp",
    "inventory",
    "schedules",
    "servicedesk",
]
MIDDLEWARE = [
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "csp.middleware.CSPMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    # Last, as it answers for the views that refuse a sign-in.
    "axes.middleware.AxesMiddleware",
]
ROOT_URLCONF = "servicedesk.urls"
WSGI_APPLICATION = "servicedesk.wsgi.application"
TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "DIRS": [BASE_DIR / "templates"],
        "APP_DIRS": False,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "servicedesk.pages.frame",
            ],
            "loaders": [
                (
                    "django.template.loaders.cached.Loader",
                    [
                        "django.template.loaders.filesystem.Loader",
                        "django.template.loaders.app_directories.Loader",
                    ],
                )
            ]
            if not DEBUG
            else [
                "django.template.loaders.filesystem.Loader",
                "django.template.loaders.app_directories.Loader",
            ],
        },
    }
]

# --- Database -------------------------------------------------------------------------------------
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"
# A connection lives as long as its thread: opening one costs more than most queries.
DATABASES = {
    "default": dj_database_url.parse(
        DATABASE_URL or f"sqlite:///{quote(str(DATA_DIR / 'servicedesk.sqlite3'))}",
        conn_max_age=None if EMBEDDED else 60,
        conn_health_checks=not EMBEDDED,
    )
}
if DATABASES["default"]["ENGINE"] == "django.db.backends.sqlite3":
    DATABASES["default"]["OPTIONS"] = {
        # Readers never wait for the writer, and the writer asks for its lock at the start: a lock asked
        # for midway fails at once instead of waiting. Commits stay fully synchronous (SQLite's default),
        # because a phone forgets a visit once the server has said that it is kept. A connection keeps up to
        # 16 MB of pages: with SQLite's 2 MB a count over all sites of a large register takes twice as long.
        "init_command": "PRAGMA journal_mode=WAL; PRAGMA foreign_keys=ON; PRAGMA cache_size=-16000;",
        "transaction_mode": "IMMEDIATE",
        "timeout": 20,
    }

# --- People ---------------------------------------------------------------------------------------
AUTH_USER_MODEL = "servicedesk.User"
AUTHENTICATION_BACKENDS = [
    "axes.backends.AxesStandaloneBackend",
    "django.contrib.auth.backends.ModelBackend",
]
PASSWORD_HASHERS = [
    "django.contrib.auth.hashers.Argon2PasswordHasher",
    "django.contrib.auth.hashers.PBKDF2PasswordHasher",
]
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
    {"NAME": "django.contrib.auth.password_validation.MinimumLengthValidator", "OPTIONS": {"min_length": 10}},
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
    {"NAME": "django.contrib.auth.password_validation.NumericPasswordValidator"},
]
LOGIN_URL = "sign-in"
LOGIN_REDIRECT_URL = "home"
LOGOUT_REDIRECT_URL = "sign-in"
# Ten wrong passwords for one name from one address lock that pair for a quarter of an hour; a
# stranger elsewhere cannot lock a technician out.
AXES_FAILURE_LIMIT = 10
AXES_LOCKOUT_PARAMETERS = [["username", "ip_address"]]
AXES_LOCKOUT_CALLABLE = "servicedesk.accounts.views.locked_out"
AXES_COOLOFF_TIME = timedelta(minutes=15)
AXES_RESET_ON_SUCCESS = True
AXES_VERBOSE = False
SESSION_COOKIE_AGE = int(timedelta(days=14).total_seconds())
SESSION_COOKIE_SAMESITE = "Lax"

# --- Headers --------------------------------------------------------------------------------------
SESSION_COOKIE_SECURE = _https
CSRF_COOKIE_SECURE = _https
SECURE_HSTS_SECONDS = env_int("HSTS_SECONDS", 3600 if _https else 0, lowest=0, highest=63072000)
SECURE_CONTENT_TYPE_NOSNIFF = True
SECURE_REFERRER_POLICY = "same-origin"
X_FRAME_OPTIONS = "DENY"
# Only behind a proxy that sets this header itself; else any client could claim to come by https.
if env_bool("BEHIND_HTTPS_PROXY", False):
    SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")
    SECURE_SSL_REDIRECT = _https
    SECURE_REDIRECT_EXEMPT = [r"^healthz$"]
CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": [SELF],
        "img-src": [SELF, "data:", *tile_origins(MAP_TILE_URL)],
        "object-src": [NONE],
        "base-uri": [SELF],
        "form-action": [SELF],
        "frame-ancestors": [NONE],
    }
}

# --- Language and time ----------------------------------------------------------------------------
LANGUAGE_CODE = "en"
USE_I18N = True
USE_TZ = True
# Instants are kept and logged in UTC; a civil date is always that of a site in its own zone.
TIME_ZONE = "UTC"

# --- Files ----------------------------------------------------------------------------------------
STATIC_URL = "static/"
STATIC_ROOT = DATA_DIR / "static"
# Never mapped to an address: every download passes a view that asks who is asking.
MEDIA_ROOT = DATA_DIR / "media"
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {
        "BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"
        if DEBUG
        else "servicedesk.storage.HashedStaticFiles"
    },
}
WHITENOISE_USE_FINDERS = DEBUG
DATA_UPLOAD_MAX_MEMORY_SIZE = 10 * 1024 * 1024
FILE_UPLOAD_PERMISSIONS = 0o640

# --- API ------------------------------------------------------------------------------------------
REST_FRAMEWORK = {
    # Token first: its challenge makes a missing sign-in a 401, where the session's alone gives a 403.
    "DEFAULT_AUTHENTICATION_CLASSES": [
        "servicedesk.api.tokens.BearerToken",
        "rest_framework.authentication.SessionAuthentication",
    ],
    "DEFAULT_PERMISSION_CLASSES": ["rest_framework.permissions.IsAuthenticated"],
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
    "DEFAULT_PARSER_CLASSES": ["rest_framework.parsers.JSONParser"],
    "DEFAULT_FILTER_BACKENDS": ["django_filters.rest_framework.DjangoFilterBackend"],
    "DEFAULT_SCHEMA_CLASS": "drf_spectacular.openapi.AutoSchema",
    "EXCEPTION_HANDLER": "servicedesk.api.errors.problem_handler",
    "TEST_REQUEST_DEFAULT_FORMAT": "json",
    # Strangers by address, people by account. "token" counts tries at a password from one address.
    "DEFAULT_THROTTLE_RATES": {
        "anon": env_text("API_RATE_ANON", "60/min"),
        "user": env_text("API_RATE_USER", "1200/min"),
        "token": env_text("API_RATE_TOKEN", "20/min"),
    },
    # Without a proxy of ours an X-Forwarded-For header is the caller's own claim.
    "NUM_PROXIES": 1 if env_bool("BEHIND_HTTPS_PROXY", False) else 0,
}
API_TOKEN_DAYS = env_int("API_TOKEN_DAYS", 30, lowest=1, highest=366)
SPECTACULAR_SETTINGS = {
    "TITLE": "Extinguisher service desk",
    "DESCRIPTION": "Register, due work, visits and certificates of portable fire extinguishers. "
    "Interval tables are defaults to confirm against local code.",
    "VERSION": "1",
    "OAS_VERSION": "3.1.0",
    "SERVE_INCLUDE_SCHEMA": False,
    "SCHEMA_PATH_PREFIX": r"/api/v1",
    "COMPONENT_SPLIT_REQUEST": True,
    "ENUM_NAME_OVERRIDES": {
        "ActKind": "schedules.visits.models.FieldAct.Kind",
        "Agent": "inventory.register.models.AGENT_CHOICES",
        "CertificateKind": "schedules.certificates.models.Certificate.Kind",
        "Construction": "inventory.register.models.CONSTRUCTION_CHOICES",
        "DueStatus": "servicedesk.api.obligations.STATUS_CHOICES",
        "EntryResult": "schedules.visits.models.VisitEntry.Result",
        "Environment": "inventory.register.models.ENVIRONMENT_CHOICES",
        "Evidence": "inventory.logbook.models.ServiceRecord.Evidence",
        "JobCardReason": "inventory.workshop.models.JobCard.Reason",
        "JobCardState": "inventory.workshop.models.JobCard.State",
        "Knowledge": "servicedesk.api.obligations.KNOWLEDGE_CHOICES",
        "MonthlyChecks": "inventory.register.models.Site.MonthlyChecks",
        "Outcome": "inventory.logbook.models.ServiceRecord.Outcome",
        "PlanState": "schedules.routes.models.RoutePlan.State",
        "Precision": "inventory.register.models.PRECISION_CHOICES",
        "Quantity": "servicedesk.api.records.QUANTITY_CHOICES",
        "ReadingVerdict": "inventory.logbook.models.Reading.Verdict",
        "Role": "servicedesk.accounts.models.User.Role",
        "Shell": "inventory.register.models.SHELL_CHOICES",
        "SourceStatus": "servicedesk.api.tables.SOURCE_CHOICES",
        "Standing": "servicedesk.api.certificates.STANDING_CHOICES",
        "TaskCode": "inventory.logbook.models.TASK_CHOICES",
        "TestMethod": "servicedesk.api.records.METHOD_CHOICES",
        "UnitState": "inventory.register.models.Unit.State",
        "VisitState": "schedules.visits.models.Visit.State",
    },
    "POSTPROCESSING_HOOKS": [
        "drf_spectacular.hooks.postprocess_schema_enums",
        "servicedesk.api.schema.add_problems",
    ],
    "TAGS": [
        {"name": "Visits", "description": "Proposed and planned at the desk, recorded and closed on site."},
        {"name": "Routes", "description": "Plans: who drives where, in which order, changed by hand."},
        {"name": "On site", "description": "What a phone carries, and what it states was done there."},
        {
            "name": "Contracts",
            "description": "What is agreed with owners, in versions, and what counts today.",
        },
        {
            "name": "Billing",
            "description": "Lines read off what was recorded, for the bookkeeping the firm has.",
        },
        {"name": "Due", "description": "What each rule demands of each unit next, and why."},
        {"name": "Register", "description": "Owners, sites, locations, unit models and units."},
        {"name": "Records", "description": "What happened to units: added and corrected, never changed."},
        {"name": "Workshop", "description": "Job cards: received, worked step by step, released."},
        {"name": "Stock", "description": "Goods, lots and loaners: where they are, and what got which lot."},
        {"name": "Certificates", "description": "Frozen statements for closed visits, and their PDF."},
        {"name": "Interval tables", "description": "Shipped defaults to confirm against local code."},
        {"name": "People", "description": "Technicians to whom a visit can be given."},
        {"name": "Signing in", "description": "Tokens for programs; browsers use their session."},
    ],
}

# --- Mail -----------------------------------------------------------------------------------------
# Without a server mails are printed where the worker runs, so that a first look needs none.
EMAIL_HOST = env_text("EMAIL_HOST")
EMAIL_BACKEND = f"django.core.mail.backends.{'smtp' if EMAIL_HOST else 'console'}.EmailBackend"
EMAIL_PORT = env_int("EMAIL_PORT", 587, lowest=1, highest=65535)
EMAIL_HOST_USER = env_text("EMAIL_USER")
EMAIL_HOST_PASSWORD = env_text("EMAIL_PASSWORD")
_mail_security = env_choice("EMAIL_SECURITY", "starttls", choices=("starttls", "tls", "none"))
EMAIL_USE_TLS, EMAIL_USE_SSL = _mail_security == "starttls", _mail_security == "tls"
EMAIL_TIMEOUT = 20
DEFAULT_FROM_EMAIL = env_text("EMAIL_FROM", FIRM_EMAIL)

# --- Background jobs ------------------------------------------------------------------------------
# Where REDIS_URL is not set, `manage.py up` starts a broker of its own on this socket.
BROKER_SOCKET = socket_path(DATA_DIR)
_redis_url = REDIS_URL or f"unix://{quote(str(BROKER_SOCKET))}"
CELERY_BROKER_URL = (
    f"redis+socket://{_redis_url.removeprefix('unix://')}" if _redis_url.startswith("unix://") else _redis_url
)
# The same server in the words of the redis client.
BROKER_CLIENT_URL = _redis_url
CELERY_TIMEZONE = FIRM_TIME_ZONE
CELERY_ENABLE_UTC = True
CELERY_TASK_IGNORE_RESULT = True
CELERY_ACCEPT_CONTENT = ["json"]
# A message is only a nudge: each job asks the data what is due and not yet done. These four lines
# still keep a job whose worker died from waiting the default hour for its next try.
CELERY_TASK_ACKS_LATE = True
CELERY_TASK_REJECT_ON_WORKER_LOST = True
CELERY_WORKER_PREFETCH_MULTIPLIER = 1
CELERY_BROKER_TRANSPORT_OPTIONS = {
    # Longer than the longest job (a certificate of some hundred pages), else it would run twice at once.
    "visibility_timeout": 600,
    "socket_connect_timeout": 5,
    "max_retries": 3,
    "interval_start": 0,
    "interval_step": 0.2,
    "interval_max": 0.5,
}
CELERY_BROKER_CONNECTION_RETRY_ON_STARTUP = True
CELERY_WORKER_HIJACK_ROOT_LOGGER = False
CELERY_WORKER_CANCEL_LONG_RUNNING_TASKS_ON_CONNECTION_LOSS = True
CELERY_TASK_TIME_LIMIT = 540
CELERY_TASK_SOFT_TIME_LIMIT = 500
CELERY_BEAT_SCHEDULE_FILENAME = str(DATA_DIR / "run" / "beat-schedule")
HEARTBEAT_S = env_int("HEARTBEAT_S", 15, lowest=1, highest=60)
# ``expires``: what a worker finds only later is dropped, since the next nudge asks the same question.
CELERY_BEAT_SCHEDULE = {
    "heartbeat": {
        "task": "servicedesk.tasks.heartbeat",
        "schedule": HEARTBEAT_S,
        "options": {"expires": 2 * HEARTBEAT_S},
    },
    "refresh-due-nightly": {
        "task": "schedules.tasks.refresh_due_nightly",
        "schedule": crontab(hour=str(env_int("NIGHTLY_HOUR", 1, lowest=0, highest=23)), minute="20"),
        "options": {"expires": 6 * 3600},
    },
    # Midnight comes at another hour in each zone, and a nudge can be lost: this sweep finds both.
    "refresh-due-hourly": {
        "task": "schedules.tasks.refresh_due_nightly",
        "schedule": crontab(minute="5"),
        "options": {"expires": 3000},
    },
    # Terms hold from a civil day on, which comes at another hour in each zone.
    "follow-terms": {
        "task": "schedules.tasks.follow_terms",
        "schedule": crontab(minute="10"),
        "options": {"expires": 3000},
    },
    "refresh-condition-nightly": {
        "task": "schedules.tasks.refresh_condition_nightly",
        "schedule": crontab(hour=str(env_int("NIGHTLY_HOUR", 1, lowest=0, highest=23)), minute="40"),
        "options": {"expires": 6 * 3600},
    },
    "book-used-on-visits": {
        "task": "schedules.tasks.book_used_on_visits",
        "schedule": crontab(minute="25"),
        "options": {"expires": 3000},
    },
    "write-site-months": {
        "task": "schedules.tasks.write_site_months",
        "schedule": crontab(hour=str(env_int("NIGHTLY_HOUR", 1, lowest=0, highest=23)), minute="50"),
        "options": {"expires": 6 * 3600},
    },
    "render-waiting-certificates": {
        "task": "schedules.tasks.render_waiting_certificates",
        "schedule": 60,
        "options": {"expires": 60},
    },
    "forget-unfinished-photos": {
        "task": "servicedesk.tasks.forget_unfinished_photos",
        "schedule": crontab(hour="3", minute="35"),
        "options": {"expires": 6 * 3600},
    },
    "resume-forecasts": {
        "task": "schedules.tasks.resume_forecasts",
        "schedule": 60,
        "options": {"expires": 60},
    },
    "resume-handovers": {
        "task": "servicedesk.tasks.resume_handovers",
        "schedule": 60,
        "options": {"expires": 60},
    },
    "write-notices": {
        "task": "servicedesk.tasks.write_notices",
        "schedule": 300,
        "options": {"expires": 300},
    },
    "send-notices": {
        "task": "servicedesk.tasks.send_notices",
        "schedule": 60,
        "options": {"expires": 60},
    },
    "work-out-waiting-outlooks": {
        "task": "schedules.tasks.work_out_waiting_outlooks",
        "schedule": 60,
        "options": {"expires": 60},
    },
    "resume-plan-searches": {
        "task": "schedules.tasks.resume_plan_searches",
        "schedule": 20,
        "options": {"expires": 20},
    },
    "resume-imports": {
        "task": "servicedesk.tasks.resume_imports",
        "schedule": 20,
        "options": {"expires": 20},
    },
    "forget-old-answers": {
        "task": "servicedesk.tasks.forget_old_answers",
        "schedule": crontab(hour="3", minute="40"),
        "options": {"expires": 6 * 3600},
    },
}

# --- Processes that `manage.py up` starts ---------------------------------------------------------
WEB_PROCESSES = env_int("WEB_PROCESSES", 2, lowest=1, highest=64)
WEB_THREADS = env_int("WEB_THREADS", 4, lowest=1, highest=64)
WORKER_PROCESSES = env_int("WORKER_PROCESSES", 1, lowest=1, highest=64)

# --- Logs -----------------------------------------------------------------------------------------
LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {"plain": {"format": "{asctime} {levelname} {name}: {message}", "style": "{"}},
    "handlers": {"console": {"class": "logging.StreamHandler", "formatter": "plain"}},
    "root": {"handlers": ["console"], "level": "WARNING"},
    "loggers": {
        "django": {"handlers": ["console"], "level": "WARNING", "propagate": False},
        "celery": {"level": "WARNING"},
        "servicedesk": {"level": "INFO"},
        "schedules": {"level": "INFO"},
        "inventory": {"level": "INFO"},
        # One line per letter variant of each font: no help to anybody.
        "fontTools": {"level": "ERROR"},
        # It remarks on every answer to HEAD, whose body it rightly drops.
        "gunicorn.http.wsgi": {"level": "ERROR"},
    },
}
