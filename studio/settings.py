"""Settings. Nothing set: one machine, SQLite and files under the data folder. Everything else by environment.

FINGERWORK_DATA          the data folder (default: var beside manage.py)
FINGERWORK_SITE_URL      the public address; one that starts with https:// turns on secure cookies, HSTS and redirects
FINGERWORK_HOSTS         further host names that are answered, separated by commas
FINGERWORK_SECRET_KEY    (or _FILE) the secret key; without one, a key is made once and kept in the data folder
FINGERWORK_DEBUG         1 for development only
FINGERWORK_TIME_ZONE     the time zone of the studio (default: Europe/London)
FINGERWORK_SENDFILE      the internal location that a proxy serves audio from (X-Accel-Redirect); empty: Django does
DATABASE_URL             (or _FILE) PostgreSQL instead of SQLite
REDIS_URL                (or _FILE) Redis as broker and cache instead of files
"""

from __future__ import annotations

import os
import secrets
from datetime import timedelta
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from csp.constants import NONE, SELF

from studio import env
from studio.logs import logging_config

BASE_DIR = Path(__file__).resolve().parent.parent
DATA_DIR = Path(env.text("FINGERWORK_DATA", str(BASE_DIR / "var"))).expanduser().resolve()


def _secret_key() -> str:
    """The configured key, or one made on first use and kept in the data folder, readable by its owner only."""
    given = env.text("FINGERWORK_SECRET_KEY", "")
    if given:
        return given
    path = DATA_DIR / "secret_key"
    try:
        return path.read_text(encoding="ascii").strip()
    except FileNotFoundError:
        pass
    except OSError:
        return secrets.token_urlsafe(50)  # the commands check the folder and say what is wrong with it
    key = secrets.token_urlsafe(50)
    try:
        DATA_DIR.mkdir(parents=True, exist_ok=True)
        with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
            file.write(key)
    except FileExistsError:
        return path.read_text(encoding="ascii").strip()
    except OSError:
        pass
    return key


SECRET_KEY = _secret_key()
DEBUG = env.flag("FINGERWORK_DEBUG")
SITE_URL = env.text("FINGERWORK_SITE_URL", "").rstrip("/")
LOGGING = logging_config()
_site = urlsplit(SITE_URL)
HTTPS = _site.scheme == "https"
ALLOWED_HOSTS = ["localhost", "127.0.0.1", "[::1]", *env.words("FINGERWORK_HOSTS")]
if _site.hostname:
    ALLOWED_HOSTS.append(_site.hostname)
CSRF_TRUSTED_ORIGINS = [SITE_URL] if SITE_URL else []

INSTALLED_APPS = [
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "whitenoise.runserver_nostatic",
    "django.contrib.staticfiles",
    "csp",
    "studio",
    "studio.people",
    "studio.exercises",
    "studio.takes",
    "studio.review",
    "studio.week",
]
MIDDLEWARE = [
    "studio.logs.RequestNumberMiddleware",
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "csp.middleware.CSPMiddleware",
    "studio.private_pages.PrivatePagesMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
]
ROOT_URLCONF = "studio.urls"
WSGI_APPLICATION = "studio.wsgi.application"
TEMPLATES: list[dict[str, Any]] = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "DIRS": [BASE_DIR / "templates"],
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
            ],
        },
    }
]

DATABASES: dict[str, Any] = {
    "default": env.database("DATABASE_URL")
    or {
        "ENGINE": "django.db.backends.sqlite3",
        "NAME": DATA_DIR / "fingerwork.sqlite3",
        "OPTIONS": {
            # Writers queue up front instead of failing half way; readers never wait for them.
            "transaction_mode": "IMMEDIATE",
            "timeout": 20,
            "init_command": "PRAGMA journal_mode=WAL; PRAGMA synchronous=NORMAL;",
        },
    }
}
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

REDIS_URL = env.text("REDIS_URL", "")
CACHES: dict[str, Any] = {
    "default": {"BACKEND": "django.core.cache.backends.redis.RedisCache", "LOCATION": REDIS_URL}
    if REDIS_URL
    else {
        "BACKEND": "django.core.cache.backends.filebased.FileBasedCache",
        "LOCATION": DATA_DIR / "cache",
        # Pictures of music and wrong tries of passwords share it; neither is to push the other out.
        "OPTIONS": {"MAX_ENTRIES": 20_000},
    }
}

AUTH_USER_MODEL = "people.User"
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
    {"NAME": "django.contrib.auth.password_validation.MinimumLengthValidator", "OPTIONS": {"min_length": 8}},
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
]
CSRF_FAILURE_VIEW = "studio.errors.form_expired"
LOGIN_URL = "people:log-in"
LOGIN_REDIRECT_URL = "home"
LOGOUT_REDIRECT_URL = "people:log-in"

LANGUAGE_CODE = "en-gb"
TIME_ZONE = env.time_zone("FINGERWORK_TIME_ZONE", "Europe/London")
USE_TZ = True
USE_I18N = False

STATIC_URL = "static/"
STATIC_ROOT = BASE_DIR / "staticfiles"
STATICFILES_DIRS = [BASE_DIR / "static"]
# On one machine the files are served straight from static/; behind a proxy collectstatic and hashed names are used.
WHITENOISE_USE_FINDERS = not HTTPS
# Kept for ever: hashed names, and files of others, which have their version in their names. Browsers then also keep
# plotly as compiled.
WHITENOISE_IMMUTABLE_FILE_TEST = r"\.[0-9a-f]{12}\.\w+$|/vendor/[^/]+-\d+\.\d+\.\d+\.min\.js$"
STORAGES: dict[str, Any] = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {
        "BACKEND": "studio.static_storage.ModuleStaticFilesStorage"
        if HTTPS
        else "django.contrib.staticfiles.storage.StaticFilesStorage"
    },
}
MEDIA_ROOT = DATA_DIR / "media"
MEDIA_URL = ""  # nothing is served from storage by address; takes have a view of their own
SENDFILE_LOCATION = env.text("FINGERWORK_SENDFILE", "")
FILE_UPLOAD_HANDLERS = [
    "studio.takes.uploads.CappedUploadHandler",
    "django.core.files.uploadhandler.MemoryFileUploadHandler",
    "django.core.files.uploadhandler.TemporaryFileUploadHandler",
]
FILE_UPLOAD_MAX_MEMORY_SIZE = 2 * 1024 * 1024
FILE_UPLOAD_PERMISSIONS = 0o600
DATA_UPLOAD_MAX_NUMBER_FILES = 4

CELERY_BROKER_URL = REDIS_URL or "filesystem://localhost"
CELERY_TASK_IGNORE_RESULT = True
CELERY_WORKER_PREFETCH_MULTIPLIER = 1
CELERY_WORKER_HIJACK_ROOT_LOGGER = False
# The hard limit stays well below the broker's visibility timeout, or a second copy of a long task would start.
CELERY_TASK_SOFT_TIME_LIMIT = 240
CELERY_TASK_TIME_LIMIT = 300
CELERY_BROKER_CONNECTION_RETRY_ON_STARTUP = True
if REDIS_URL:
    CELERY_BROKER_TRANSPORT_OPTIONS: dict[str, Any] = {
        "visibility_timeout": 3600,
        "socket_timeout": 10,
        "socket_connect_timeout": 5,
        "health_check_interval": 10,
        "retry_on_timeout": True,
    }
else:
    _queue = DATA_DIR / "queue"
    CELERY_BROKER_TRANSPORT_OPTIONS = {
        "data_folder_in": str(_queue / "messages"),
        "data_folder_out": str(_queue / "messages"),
        "control_folder": str(_queue / "control"),
        "store_processed": False,
        "polling_interval": 0.3,
    }

# The way of a take (studio/takes): what analyses it, and after how many seconds silence means that something was lost.
TAKES_ANALYSIS = "studio.takes.pipeline.hear"
TAKES_HEARTBEAT_S = 3.0
TAKES_HEARTBEAT_LOST_S = 30.0
TAKES_RING_AGAIN_S = 60.0
TAKES_SWEEP_EVERY_S = 10.0
TAKES_TIDY_EVERY_S = 24 * 3600.0

SESSION_COOKIE_AGE = int(timedelta(days=60).total_seconds())
SESSION_COOKIE_SAMESITE = "Lax"
SESSION_COOKIE_SECURE = CSRF_COOKIE_SECURE = HTTPS
SECURE_SSL_REDIRECT = HTTPS
SECURE_REDIRECT_EXEMPT = [r"^healthz$"]  # asked from the machine itself, past the proxy
SECURE_HSTS_SECONDS = int(timedelta(days=365).total_seconds()) if HTTPS else 0
SECURE_HSTS_INCLUDE_SUBDOMAINS = SECURE_HSTS_PRELOAD = HTTPS
SECURE_REFERRER_POLICY = "same-origin"
if HTTPS:
    SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")
X_FRAME_OPTIONS = "DENY"
CONTENT_SECURITY_POLICY: dict[str, Any] = {
    "DIRECTIVES": {
        "default-src": [SELF],
        "script-src": [SELF],
        "style-src": [SELF],
        "img-src": [SELF, "data:"],
        "media-src": [SELF, "blob:"],
        "connect-src": [SELF],
        "object-src": [NONE],
        "base-uri": [NONE],
        "form-action": [SELF],
        "frame-ancestors": [NONE],
    }
}
