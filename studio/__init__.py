"""The web application: one folder a feature, each with its own models, views, urls, forms and tasks."""

from studio.celery import app as celery_app

__all__ = ["celery_app"]
