"""The Celery application. The broker is a doorbell only: what has to be done stands in the database."""

import os

from celery import Celery
from kombu.transport import TRANSPORT_ALIASES

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "studio.settings")

TRANSPORT_ALIASES["filesystem"] = "studio.file_broker:Transport"

app = Celery("studio")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()
