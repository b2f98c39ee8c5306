"""System checks: what would make an installation fail later, said at its start, each with a hint what to do."""

from __future__ import annotations

import re
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final
from urllib.parse import urlsplit

from django.apps import AppConfig
from django.conf import settings
from django.core.checks import CheckMessage, Error, Tags, Warning, register

#: The decoders of the formats that takes arrive in.
DECODERS: Final = ("aac", "alac", "flac", "mp3", "opus", "pcm_s16le", "vorbis")

_REDIS_SCHEMES: Final = ("redis", "rediss", "unix")
_HOST: Final = re.compile(r"[A-Za-z0-9.-]+|\[[0-9A-Fa-f:.]+\]", re.ASCII)

Apps = Sequence[AppConfig] | None


def unwritable(folder: Path) -> str | None:
    """Why nothing can be written in `folder`, which is made if need be; None when all is well."""
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            return None
    except OSError as error:
        return error.strerror or type(error).__name__


@register(Tags.files)
def data_folder(app_configs: Apps, **kwargs: Any) -> list[CheckMessage]:
    """Recordings are kept there in every installation."""
    reason = unwritable(settings.DATA_DIR)
    if reason is None:
        return []
    return [
        Error(
            f"The data folder {settings.DATA_DIR} cannot be written ({reason}).",
            hint="Give the account that runs Fingerwork the right to, or choose another folder with FINGERWORK_DATA.",
            id="fingerwork.E001",
        )
    ]


@register(Tags.urls)
def site_url(app_configs: Apps, **kwargs: Any) -> list[CheckMessage]:
    """Join links are built on it, and whether it begins with https:// decides about cookies and redirects."""
    if not settings.SITE_URL:
        return []
    try:
        parts = urlsplit(settings.SITE_URL)
        whole = f"{parts.scheme}://{parts.netloc}"
        host = parts.netloc.removesuffix(f":{parts.port}") if parts.port else parts.netloc
    except ValueError:
        whole, host = "", ""
    if whole == settings.SITE_URL and whole.startswith(("https://", "http://")) and _HOST.fullmatch(host):
        return []
    return [
        Error(
            f"FINGERWORK_SITE_URL is {settings.SITE_URL!r}, which is not the address of a site.",
            hint="Give scheme and host, and no path: https://practice.example.org",
            id="fingerwork.E002",
        )
    ]


@register(Tags.urls)
def sendfile(app_configs: Apps, **kwargs: Any) -> list[CheckMessage]:
    """A proxy takes an internal location by its path."""
    location = settings.SENDFILE_LOCATION
    if not location or (location.startswith("/") and not location.startswith("//")):
        return []
    return [
        Error(
            f"FINGERWORK_SENDFILE is {location!r}, which is not the path of a location.",
            hint="Name the proxy's internal location as it does, with a slash in front: /protected",
            id="fingerwork.E003",
        )
    ]


@register()
def redis_address(app_configs: Apps, **kwargs: Any) -> list[CheckMessage]:
    """Anything else would be taken for another kind of broker, or for none, at the first take."""
    if not settings.REDIS_URL or urlsplit(settings.REDIS_URL).scheme in _REDIS_SCHEMES:
        return []
    return [
        Error(
            "REDIS_URL is not the address of a Redis server.",  # not repeated: it may hold a password
            hint="It takes redis://host:6379/0, rediss://… with TLS, or unix:///path/of/the/socket.",
            id="fingerwork.E004",
        )
    ]


@register()
def broker(app_configs: Apps, **kwargs: Any) -> list[CheckMessage]:
    """The broker's settings against each other, and against the database's."""
    found: list[CheckMessage] = []
    timeout = settings.CELERY_BROKER_TRANSPORT_OPTIONS.get("visibility_timeout")
    if timeout is not None and timeout < 2 * settings.CELERY_TASK_TIME_LIMIT:
        found.append(
            Error(
                f"A message is sent again after {timeout} s, while its task may run for "
                f"{settings.CELERY_TASK_TIME_LIMIT} s: takes would be worked on twice.",
                hint="Keep the broker's visibility_timeout at twice CELERY_TASK_TIME_LIMIT or more.",
                id="fingerwork.E005",
            )
        )
    if not settings.REDIS_URL and settings.DATABASES["default"]["ENGINE"] == "django.db.backends.postgresql":
        found.append(
            Warning(
                "The database is PostgreSQL, but workers are rung for by files in the data folder.",
                hint="Set REDIS_URL, unless web server and workers run on this one machine with one data folder.",
                id="fingerwork.W001",
            )
        )
    return found


@register()
def decoders(app_configs: Apps, **kwargs: Any) -> list[CheckMessage]:
    """Takes are decoded by the libraries that the package av brings."""
    hint = "Install the package av from its wheel again: uv sync --reinstall-package av"
    try:
        from av.codec import codecs_available
    except ImportError as error:
        return [
            Error(f"Sound cannot be decoded: the package av does not load ({error}).", hint=hint, id="fingerwork.E006")
        ]
    missing = [name for name in DECODERS if name not in codecs_available]
    if not missing:
        return []
    return [Error(f"The package av cannot decode {', '.join(missing)}.", hint=hint, id="fingerwork.E007")]
