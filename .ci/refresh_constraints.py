"""Pins what our dependencies depend on: `tool.uv.constraint-dependencies` in pyproject.toml, from uv's own lock file.

The lock file itself is not kept in version control (it names the index that one machine uses); direct dependencies are
pinned by hand in pyproject.toml, everything below them by this script:

    python .ci/refresh_constraints.py            after a direct dependency was added, changed or removed
    python .ci/refresh_constraints.py --upgrade  to take the newest version of everything that is pinned here
    python .ci/refresh_constraints.py --check    changes nothing; exit status 1 if something is not pinned or wrongly so
"""

from __future__ import annotations

import argparse
import re
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
PROJECT, LOCK = ROOT / "pyproject.toml", ROOT / "uv.lock"
BLOCK = re.compile(r"^constraint-dependencies = \[\n(?:.*\n)*?\]\n", re.MULTILINE)


def plain(name: str) -> str:
    """A package's name as the lock file spells it (PEP 503)."""
    return re.sub(r"[-_.]+", "-", name).lower()


def direct(project: dict[str, Any]) -> set[str]:
    """The packages that pyproject.toml itself names."""
    groups = project.get("dependency-groups", {}).values()
    wanted = [*project["project"]["dependencies"], *(entry for group in groups for entry in group)]
    return {plain(re.split(r"[\[=<>~! ;]", entry, maxsplit=1)[0]) for entry in wanted}


def indirect(lock: dict[str, Any], named: set[str]) -> list[str]:
    """Every other package of the lock file with its version, and with its markers where versions differ by machine."""
    pins = []
    for package in lock["package"]:
        if package["name"] in named or "registry" not in package["source"]:
            continue
        pin = f"{package['name']}=={package['version']}"
        markers = " or ".join(f"({marker})" for marker in package.get("resolution-markers", []))
        pins.append(f"{pin} ; {markers}" if markers else pin)
    return sorted(pins)


def with_block(text: str, pins: list[str]) -> str:
    """pyproject.toml's text with these pins in place of those it has."""
    block = "constraint-dependencies = [\n" + "".join(f'    "{pin}",\n' for pin in pins) + "]\n"
    if not BLOCK.search(text):
        return text.replace("[tool.uv]\n", f"[tool.uv]\n{block}", 1)
    return BLOCK.sub(lambda _: block, text, count=1)


def lock(*options: str) -> None:
    """Have uv write its lock file anew."""
    subprocess.run(["uv", "lock", "--quiet", *options], cwd=ROOT, check=True)


def pinned() -> str:
    """pyproject.toml's text as it should be by the lock file."""
    text = PROJECT.read_text(encoding="utf-8")
    named = direct(tomllib.loads(text))
    return with_block(text, indirect(tomllib.loads(LOCK.read_text(encoding="utf-8")), named))


def main() -> int:
    parser = argparse.ArgumentParser(description="Pin what our dependencies depend on.")
    parser.add_argument("--upgrade", action="store_true", help="take the newest versions")
    parser.add_argument("--check", action="store_true", help="change nothing, say whether anything would change")
    options = parser.parse_args()
    before = PROJECT.read_text(encoding="utf-8")
    if options.check:
        if not LOCK.exists():
            lock()
        if pinned() == before:
            return 0
        print("Indirect dependencies are not all pinned; run: python .ci/refresh_constraints.py", file=sys.stderr)
        return 1
    if options.upgrade:
        PROJECT.write_text(with_block(before, []), encoding="utf-8")
    try:
        lock(*(["--upgrade"] if options.upgrade else []))
    except subprocess.CalledProcessError:
        PROJECT.write_text(before, encoding="utf-8")
        return 1
    PROJECT.write_text(pinned(), encoding="utf-8")
    lock()
    return 0


if __name__ == "__main__":
    sys.exit(main())
