"""`manage.py demo`: a made-up studio to look around in."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.core.management.base import CommandParser

from studio.data_folder import DataFolder
from studio.launcher import LaunchError
from studio.management.launching import LaunchCommand, ProgressBar
from studio.people.models import User


class Command(LaunchCommand):
    help = "Build a made-up studio on first use, then serve it with its analysis worker until Ctrl-C."

    def add_arguments(self, parser: CommandParser) -> None:
        super().add_arguments(parser)
        parser.add_argument("--reset", action="store_true", help="throw the demo's data away and build it anew")

    def prepare(self, folder: DataFolder, options: dict[str, Any]) -> None:
        if options["reset"]:
            self._reset(folder)
        elif folder.purpose == "demo" and not folder.complete:
            self.say("The demo studio was not finished last time; it is built anew.")
            self._reset(folder)

    def _reset(self, folder: DataFolder) -> None:
        if settings.DATABASES["default"]["ENGINE"] != "django.db.backends.sqlite3":
            raise LaunchError(
                "The demo starts over in SQLite only. Empty the database of DATABASE_URL yourself, or unset it."
            )
        if folder.purpose == "own":
            raise LaunchError(
                f"{folder.path} holds a studio of your own, so nothing in it is deleted. "
                "Choose another folder for the demo with FINGERWORK_DATA."
            )
        folder.clear()

    def populate(self, folder: DataFolder) -> None:
        if folder.purpose == "demo" and folder.complete:
            return
        if User.objects.exists():
            raise LaunchError(
                f"{folder.path} holds a studio of your own, and the demo is not mixed into it. "
                "Choose another folder for the demo with FINGERWORK_DATA, or use: manage.py serve"
            )
        folder.mark("demo", complete=False)
        from studio.demo.builder import build_demo

        bar = ProgressBar(self.stdout)
        build_demo(progress=bar)
        bar.done()
        folder.mark("demo", complete=True)

    def greet(self) -> None:
        from studio.demo.builder import LOGINS

        for name, password, who in LOGINS:
            self.say(f"  log in as {name} with {password}: {who}")
