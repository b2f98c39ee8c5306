"""Which ES modules a page's script imports, and those in turn: a page that names them all at once need not find them
one after the other."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path
from posixpath import dirname, join, normpath
from typing import Final

from django.contrib.staticfiles import finders

_IMPORT: Final = re.compile(r'^(?:import|export)\b[^;]*?\bfrom "(\.[^"]+)";', re.MULTILINE)


@cache
def modules_of(script: str) -> tuple[str, ...]:
    """The static names of `script` and of everything that it imports, each once, in the order met."""
    found: dict[str, None] = {}
    _follow(script, found)
    return tuple(found)


def _follow(name: str, found: dict[str, None]) -> None:
    path = finders.find(name)
    if name in found or not isinstance(path, str):
        return
    found[name] = None
    for imported in _IMPORT.findall(Path(path).read_text(encoding="utf-8")):
        _follow(normpath(join(dirname(name), imported)), found)
