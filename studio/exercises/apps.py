from django.apps import AppConfig


class ExercisesConfig(AppConfig):
    name = "studio.exercises"
    label = "exercises"
