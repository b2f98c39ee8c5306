"""The Celery application. The broker is a doorbell only: what has to be done stands in the database."""

import os

from celery import Celery

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "studio.settings")

app = Celery("studio")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()
