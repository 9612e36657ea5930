"""The application that a web server runs."""

import os

from django.core.wsgi import get_wsgi_application
from django.urls import get_resolver

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "servicedesk.settings")

application = get_wsgi_application()

# Two seconds of imports: with the start of a process, not with the first page that somebody asks it for.
_ = get_resolver().url_patterns
