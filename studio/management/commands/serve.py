"""`manage.py serve`: Fingerwork on a tutor's own computer."""

from __future__ import annotations

from typing import Any

from studio.data_folder import DataFolder
from studio.management.launching import LaunchCommand


class Command(LaunchCommand):
    help = "Serve Fingerwork with its analysis worker until Ctrl-C; all data live in the data folder (FINGERWORK_DATA)."

    def prepare(self, folder: DataFolder, options: dict[str, Any]) -> None:
        if folder.purpose is None:
            folder.mark("own", complete=True)
