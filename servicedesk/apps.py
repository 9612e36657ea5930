"""Django's entry for the servicedesk package."""

from django.apps import AppConfig


class ServicedeskConfig(AppConfig):
    name = "servicedesk"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        # Importing registers: the system checks, and the Celery application that shared tasks bind to.
        from servicedesk import celery, checks  # noqa: F401
