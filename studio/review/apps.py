from django.apps import AppConfig


class ReviewConfig(AppConfig):
    name = "studio.review"
    label = "review"

    def ready(self) -> None:
        from studio.review import answers, receivers  # noqa: F401  (connects what they receive)
