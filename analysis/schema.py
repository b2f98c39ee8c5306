"""The report's JSON Schema, and whether a report keeps to it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

from jsonschema import Draft202012Validator

PATH = Path(__file__).with_name("report.schema.json")


class SchemaError(ValueError):
    """A report that does not keep to the schema; the message names the first place that does not, and why."""


@lru_cache(maxsize=1)
def _validator() -> Draft202012Validator:
    schema = json.loads(PATH.read_text(encoding="utf-8"))
    Draft202012Validator.check_schema(schema)
    return Draft202012Validator(schema)


def validate(report: Mapping[str, Any]) -> None:
    """Raises SchemaError if `report` does not keep to the schema."""
    errors = sorted(_validator().iter_errors(report), key=lambda error: [str(part) for part in error.absolute_path])
    if errors:
        place = "/".join(str(part) for part in errors[0].absolute_path) or "the report"
        raise SchemaError(f"{place}: {errors[0].message}")
