"""The Celery app: a wake-up for the worker; the truth about work is in the database."""

import os

from celery import Celery

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "clinic.settings")
app = Celery("tracker")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()
