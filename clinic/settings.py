"""Settings for a small office: embedded by default, scaled by two environment variables.

``TRACKER_DATA``   the data folder (database, files, queue, secret); default ``./data``
``DATABASE_URL``   PostgreSQL instead of the SQLite file in the data folder
``REDIS_URL``      Redis instead of the file queue in the data folder
``TRACKER_HOSTS``  host names the site answers to, comma separated, besides this machine's
``TRACKER_HTTPS``  ``1`` behind a proxy that speaks TLS: secure cookies and HSTS
``TRACKER_DEBUG``  ``1`` while developing
"""

from __future__ import annotations

import os
import secrets
import sys
from pathlib import Path

import dj_database_url

from clinic import static_files

BASE_DIR = Path(__file__).resolve().parent.parent
DATA_DIR = Path(os.environ.get("TRACKER_DATA", BASE_DIR / "data"))
FILES_DIR = DATA_DIR / "files"
QUEUE_DIR = DATA_DIR / "queue"
TESTING = "pytest" in sys.modules

DEBUG = os.environ.get("TRACKER_DEBUG") == "1"


def _secret() -> str:
    """Read the installation's key, making it on first use, readable by the owner only."""
    if "TRACKER_SECRET" in os.environ:
        return os.environ["TRACKER_SECRET"]
    path = DATA_DIR / "secret"
    try:
        return path.read_text()
    except OSError:
        pass
    if not DATA_DIR.exists() and not os.environ.get("TRACKER_DATA"):
        # A command that needs no database must not leave a data folder behind.
        return secrets.token_urlsafe(50)
    DATA_DIR.mkdir(parents=True, exist_ok=True)
    try:
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        return path.read_text()
    with os.fdopen(descriptor, "w") as handle:
        key = secrets.token_urlsafe(50)
        handle.write(key)
    return key


SECRET_KEY = _secret()
# An office reaches the site by whatever name or address its network gives the machine.
ALLOWED_HOSTS = [h for h in os.environ.get("TRACKER_HOSTS", "*").split(",") if h]
HTTPS = os.environ.get("TRACKER_HTTPS") == "1"
CSRF_TRUSTED_ORIGINS = [f"https://{h}" for h in ALLOWED_HOSTS if HTTPS and h != "*"]

INSTALLED_APPS = [
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "whitenoise.runserver_nostatic",
    "django.contrib.staticfiles",
    "django.contrib.humanize",
    "django_htmx",
    "axes",
    "clinic",
    "production",
]

MIDDLEWARE = [
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "clinic.middleware.ContentSecurityPolicy",
    "clinic.middleware.SignInAgain",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.auth.middleware.LoginRequiredMiddleware",
    "clinic.middleware.OfficeTime",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
    "axes.middleware.AxesMiddleware",
]

ROOT_URLCONF = "clinic.urls"
WSGI_APPLICATION = "clinic.wsgi.application"
TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "DIRS": [BASE_DIR / "templates"],
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "clinic.context.office",
            ],
            "builtins": ["clinic.templatetags.show"],
        },
    }
]

AUTH_USER_MODEL = "clinic.User"
LOGIN_URL = "login"
LOGIN_REDIRECT_URL = "home"
LOGOUT_REDIRECT_URL = "login"
AUTHENTICATION_BACKENDS = [
    "axes.backends.AxesStandaloneBackend",
    "django.contrib.auth.backends.ModelBackend",
]
AUTH_PASSWORD_VALIDATORS = [
    # NIST SP 800-63B-4: length and a list of common passwords, no composition rules.
    {
        "NAME": "django.contrib.auth.password_validation.MinimumLengthValidator",
        "OPTIONS": {"min_length": 15},
    },
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
]
PASSWORD_HASHERS = [
    "django.contrib.auth.hashers.Argon2PasswordHasher",
    "django.contrib.auth.hashers.PBKDF2PasswordHasher",
]
if TESTING:
    PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]

# An office shares one address: lock the pair of account and address, not the address.
AXES_LOCKOUT_PARAMETERS = [["username", "ip_address"]]
AXES_FAILURE_LIMIT = 8
AXES_COOLOFF_TIME = 0.25  # hours
AXES_LOCKOUT_TEMPLATE = "login/locked.html"
AXES_ENABLED = not TESTING

SQLITE_OPTIONS = {
    # WAL + IMMEDIATE + a busy timeout: no “database is locked” among 8 + 2 writers.
    "transaction_mode": "IMMEDIATE",
    "timeout": 20,
    "init_command": (
        "PRAGMA journal_mode=WAL; PRAGMA synchronous=NORMAL; PRAGMA cache_size=-20000;"
        "PRAGMA foreign_keys=ON; PRAGMA temp_store=MEMORY;"
    ),
}
if os.environ.get("DATABASE_URL"):
    DATABASES = {
        "default": dj_database_url.config(conn_max_age=600, conn_health_checks=True),
    }
    _database = DATABASES["default"]
    if _database["ENGINE"].endswith("postgresql"):
        # Statements are prepared on the server, but planned for their values each time: a
        # plan for any range of days takes ten times as long for a month of five years. A
        # pooler in between must know prepared statements.
        # Joins follow keys in the order they are written: weighing orders of more than four
        # takes longer than the query.
        _PLANNER = "-c plan_cache_mode=force_custom_plan -c join_collapse_limit=4"
        _own = _database.get("OPTIONS", {})
        _database["OPTIONS"] = {
            "server_side_binding": True,
            "prepare_threshold": 2,
            **_own,
            "options": f"{_PLANNER} {_own.get('options', '')}".strip(),
        }
else:
    DATABASES = {
        "default": {
            "ENGINE": "django.db.backends.sqlite3",
            "NAME": str(DATA_DIR / "tracker.sqlite3"),
            "OPTIONS": SQLITE_OPTIONS,
            "CONN_MAX_AGE": 600,
        }
    }
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

SESSION_COOKIE_AGE = 14 * 3600  # a working day; the wall tablet is signed in each morning
SESSION_COOKIE_HTTPONLY = True
CSRF_FAILURE_VIEW = "clinic.views.entry.stale"
SESSION_COOKIE_SAMESITE = "Lax"
SESSION_COOKIE_SECURE = CSRF_COOKIE_SECURE = HTTPS
SESSION_SAVE_EVERY_REQUEST = False
SECURE_HSTS_SECONDS = 31_536_000 if HTTPS else 0
SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https") if HTTPS else None
SECURE_CONTENT_TYPE_NOSNIFF = True
SECURE_REFERRER_POLICY = "same-origin"
X_FRAME_OPTIONS = "DENY"

LANGUAGE_CODE = "en-gb"
TIME_ZONE = "UTC"
USE_TZ = True
USE_I18N = True
FORMAT_MODULE_PATH = ["clinic.formats"]

STATIC_URL = "static/"
STATICFILES_DIRS = [BASE_DIR / "static"]
STATIC_ROOT = DATA_DIR / "static"
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {"BACKEND": "clinic.static_files.Versioned"},
}
WHITENOISE_USE_FINDERS = True
WHITENOISE_MAX_AGE = 30 * 24 * 3600
WHITENOISE_ADD_HEADERS_FUNCTION = static_files.headers

DATA_UPLOAD_MAX_MEMORY_SIZE = 10 * 2**20
FILE_UPLOAD_MAX_MEMORY_SIZE = 2 * 2**20
FILE_UPLOAD_TEMP_DIR = DATA_DIR / "incoming" if (DATA_DIR / "incoming").exists() else None
SCAN_MAX_BYTES = 300 * 2**20

REDIS_URL = os.environ.get("REDIS_URL", "")
CELERY_TASK_ACKS_LATE = True
CELERY_WORKER_PREFETCH_MULTIPLIER = 1
CELERY_TASK_SERIALIZER = "json"
CELERY_ACCEPT_CONTENT = ["json"]
CELERY_TASK_IGNORE_RESULT = True
CELERY_WORKER_HIJACK_ROOT_LOGGER = False
CELERY_BROKER_CONNECTION_RETRY_ON_STARTUP = True
CELERY_WORKER_MAX_TASKS_PER_CHILD = 400
CELERY_WORKER_MAX_MEMORY_PER_CHILD = 1_800_000  # kB
CELERY_TASK_TIME_LIMIT = 150
# A new worker process compiles or loads the geometry before it takes work.
CELERY_WORKER_PROC_ALIVE_TIMEOUT = 300
# A living worker renews its lease; a killed one is noticed when the lease runs out.
WORK_LEASE_SECONDS = 25
WORK_RENEW_SECONDS = 5
WORK_STALE_SECONDS = 10
if REDIS_URL:
    CELERY_BROKER_URL = REDIS_URL
    CELERY_BROKER_TRANSPORT_OPTIONS = {
        "visibility_timeout": 240,
        "unacked_restore_interval": 5,
        "unacked_restore_throttle": 1,
        # Two installations may share one Redis without taking each other's work.
        "global_keyprefix": os.environ.get("TRACKER_QUEUE_PREFIX", "tracker:"),
    }
else:
    CELERY_BROKER_URL = "filesystem://"
    CELERY_BROKER_TRANSPORT_OPTIONS = {
        "data_folder_in": str(QUEUE_DIR),
        "data_folder_out": str(QUEUE_DIR),
        "control_folder": str(DATA_DIR / "queue-control"),
        "polling_interval": 0.2,
    }

LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {"line": {"format": "{asctime} {levelname} {name}: {message}", "style": "{"}},
    "filters": {
        # "Not ready yet" is the health check's answer while the site starts, not an error.
        "not_starting": {
            "()": "django.utils.log.CallbackFilter",
            "callback": lambda record: getattr(record, "status_code", 0) != 503,
        }
    },
    "handlers": {"console": {"class": "logging.StreamHandler", "formatter": "line"}},
    "root": {"handlers": ["console"], "level": "WARNING"},
    "loggers": {
        "django.request": {"filters": ["not_starting"]},
        "clinic": {"level": "INFO"},
        "production": {"level": "INFO"},
        "celery": {"level": "WARNING"},
        "axes": {"level": "ERROR"},
        "kombu": {"level": "ERROR"},
    },
}
SILENCED_SYSTEM_CHECKS = ["axes.W003"]
