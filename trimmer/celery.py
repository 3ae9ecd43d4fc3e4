"""The Celery application: how work leaves the web process."""

import os

from celery import Celery

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "trimmer.settings")

app = Celery("trimmer")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()
