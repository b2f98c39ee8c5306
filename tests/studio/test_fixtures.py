"""The shared fixtures hold together."""

from __future__ import annotations

from typing import Any

from django.core.files.storage import default_storage


def test_ready_take_is_whole(ready_take: Any, sample_report: dict[str, Any]) -> None:
    assert ready_take.movements.count() == sample_report["summary"]["movements"]
    assert ready_take.movements.filter(clean=True).count() == sample_report["summary"]["clean"]
    with default_storage.open(ready_take.audio) as sound:
        assert sound.read(4) == b"fLaC"
