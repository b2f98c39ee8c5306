"""`manage.py web`: the web server alone, where workers, database and broker run elsewhere."""

from __future__ import annotations

import os
import sys
from typing import Any

from django.core.management.base import BaseCommand, CommandParser
from django.db import connection, connections
from django.db.migrations.executor import MigrationExecutor

from studio.launcher import LaunchError, check_database, collect_static, ended_by_signals, listen, serve


class Command(BaseCommand):
    help = "Serve the web pages alone until stopped; run `migrate` before it and `worker` beside it."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--port", type=int, default=8000, help="the port to serve on (default: 8000)")
        parser.add_argument("--host", default="127.0.0.1", help="the address to serve on (default: 127.0.0.1)")

    def handle(self, *args: Any, **options: Any) -> None:
        os.umask(0o077)  # recordings of children: for the account that runs this, and nobody else
        try:
            with ended_by_signals(), listen(options["host"], options["port"]) as listener:
                check_database()
                _check_migrations()
                collect_static()
                connections.close_all()
                serve(listener, ready=lambda: self.stdout.write(f"Serving on port {listener.getsockname()[1]}."))
        except LaunchError as error:
            self.stderr.write(str(error))
            sys.exit(1)
        except KeyboardInterrupt:
            pass


def _check_migrations() -> None:
    executor = MigrationExecutor(connection)
    if executor.migration_plan(executor.loader.graph.leaf_nodes()):
        raise LaunchError("The database is not at this version yet. Bring it there first: manage.py migrate")
