from django.apps import AppConfig


class TakesConfig(AppConfig):
    name = "studio.takes"
    label = "takes"
