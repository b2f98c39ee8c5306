from django.apps import AppConfig


class ReviewConfig(AppConfig):
    name = "studio.review"
    label = "review"
