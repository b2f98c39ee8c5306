"""Analyse one recording and print what was heard. Needs no database and no data folder."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any, NoReturn, cast

from django.core.management.base import BaseCommand, CommandParser

from analysis.score import Score, ScoreError, parse_abc

SLOWEST_BPM, FASTEST_BPM = 20.0, 200.0
#: Movements whose first gracenote closes or opens on the beat.
BY_FIRST_GRACENOTE = ("gracenote", "strike", "doubling", "tachum")


class Unusable(Exception):
    """The input cannot be used; the message is one line."""


class OneLineParser(CommandParser):
    """A parser whose errors are one line on standard error, as those of unusable files are."""

    def error(self, message: str) -> NoReturn:
        self.exit(2, f"analyse: {message}; see manage.py analyse --help\n")


def tempo(text: str) -> float:
    """A tempo in beats a minute. Raises ArgumentTypeError outside what is possible."""
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not SLOWEST_BPM <= value <= FASTEST_BPM:
        raise argparse.ArgumentTypeError(
            f"{text!r} is no tempo; {SLOWEST_BPM:.0f} to {FASTEST_BPM:.0f} beats a minute are"
        )
    return value


class Command(BaseCommand):
    help = "Analyse one recording of a chanter and print what was heard, as a table or as JSON."
    requires_system_checks: list[str] = []

    def create_parser(self, prog_name: str, subcommand: str, **kwargs: Any) -> CommandParser:
        parser = OneLineParser(prog=f"{Path(prog_name).name} {subcommand}", description=self.help)
        self.add_base_argument(parser, "--settings", help="The Python path to a settings module.")
        self.add_base_argument(parser, "--pythonpath", help="A directory to add to the Python path.")
        self.add_base_argument(parser, "--traceback", action="store_true", help="Show traces of unexpected errors.")
        self.add_base_argument(parser, "--no-color", action="store_true", help="Don't colorize the output.")
        self.add_base_argument(parser, "--force-color", action="store_true", help="Force colour.")
        self.add_base_argument(
            parser, "-v", "--verbosity", default=1, type=int, choices=[0, 1, 2, 3], help="0: no progress."
        )
        self.add_arguments(parser)
        return parser

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("audio", type=Path, help="the recording: WAV, FLAC, MP3, M4A, WebM, Ogg or MOV")
        parser.add_argument("--score", type=Path, metavar="FILE.abc", help="what was written; without it: free playing")
        parser.add_argument("--tempo", type=tempo, metavar="BPM", help="the tempo, instead of the score's")
        parser.add_argument(
            "--beat-point", choices=["closes", "opens"], help="where the first gracenote meets the beat"
        )
        parser.add_argument("--level", choices=["gentle", "standard", "strict"], default="standard")
        parser.add_argument("--json", action="store_true", help="print the report as JSON and nothing else")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            report = self._report(options)
        except Unusable as error:
            self.stderr.write(str(error), style_func=str)
            sys.exit(2)
        if options["json"]:
            self.stdout.write(json.dumps(report, ensure_ascii=False, allow_nan=False))
        else:
            from analysis.piper_table import table

            self.stdout.write(table(cast(Any, report)), ending="")

    def _report(self, options: dict[str, Any]) -> dict[str, Any]:
        score = _score(options["score"]) if options["score"] else None
        # Late: a wrong score or option is answered without loading the numerical libraries.
        from analysis.api import Options, analyse
        from analysis.judgement import tolerances
        from analysis.sound import SoundError

        point = options["beat_point"]
        chosen = Options(
            tempo_bpm=options["tempo"],
            beat_points=dict.fromkeys(BY_FIRST_GRACENOTE, point) if point else {},
            tolerances=tolerances(options["level"]),
        )
        try:
            return dict(analyse(options["audio"], score, options=chosen, progress=self._progress(options)))
        except SoundError as error:
            raise Unusable(str(error)) from error

    def _progress(self, options: dict[str, Any]) -> Any:
        if options["verbosity"] == 0 or not sys.stderr.isatty():
            return None
        told: list[str] = []

        def tell(stage: str, share: float) -> None:
            if stage not in told:
                told.append(stage)
                self.stderr.write(f"{stage} …", style_func=str)

        return tell


def _score(path: Path) -> Score:
    try:
        return parse_abc(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise Unusable(f"There is no file {path}; --score takes a file of ABC notation.") from None
    except OSError as error:
        raise Unusable(f"{path} cannot be read ({error.strerror}); --score takes a file of ABC notation.") from None
    except UnicodeDecodeError:
        raise Unusable(f"{path} is not text; --score takes a file of ABC notation in UTF-8.") from None
    except ScoreError as error:
        raise Unusable(" ".join(f"{path}: {error}".split())) from None
