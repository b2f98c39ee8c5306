from django.apps import AppConfig


class TakesConfig(AppConfig):
    name = "studio.takes"
    label = "takes"

    def ready(self) -> None:
        from studio.takes import receivers  # noqa: F401  (connects them)
