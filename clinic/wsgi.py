"""WSGI entry point."""

import os

from django.core.wsgi import get_wsgi_application
from django.urls import get_resolver

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "clinic.settings")
application = get_wsgi_application()
# Load every page's code now, once for all processes, not at the first request of each.
_ = get_resolver().url_patterns
