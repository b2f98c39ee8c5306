from django.apps import AppConfig


class WeekConfig(AppConfig):
    name = "studio.week"
    label = "week"
