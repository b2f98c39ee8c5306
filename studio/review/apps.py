from django.apps import AppConfig


class ReviewConfig(AppConfig):
    name = "studio.review"
    label = "review"

    def ready(self) -> None:
        from studio.review import receivers  # noqa: F401  (connects them)
