"""Exercises written before could not be found by what they hold."""

from __future__ import annotations

from django.db import migrations
from django.db.backends.base.schema import BaseDatabaseSchemaEditor
from django.db.migrations.state import StateApps


def fill(apps: StateApps, schema_editor: BaseDatabaseSchemaEditor) -> None:
    from studio.exercises.finding import found_by

    exercises = apps.get_model("exercises", "Exercise").objects.using(schema_editor.connection.alias)
    for exercise in exercises.filter(found_by="").iterator():
        exercise.found_by = found_by(exercise.abc, exercise.parameters)
        exercise.save(update_fields=["found_by"])


class Migration(migrations.Migration):
    dependencies = [("exercises", "0003_levels_customs_and_finding")]

    operations = [migrations.RunPython(fill, migrations.RunPython.noop)]
