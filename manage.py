#!/usr/bin/env python
"""The only entry point: demo, serve, analyse and Django's own commands."""

import os
import sys


def main() -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "studio.settings")
    from django.core.exceptions import ImproperlyConfigured
    from django.core.management import execute_from_command_line

    try:
        execute_from_command_line(sys.argv)
    except ImproperlyConfigured as error:  # by the environment: a line for people, not a trace
        sys.exit(f"Fingerwork cannot start with these settings: {error}")


if __name__ == "__main__":
    main()
