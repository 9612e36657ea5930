"""Django's entry for the servicedesk package."""

from django.apps import AppConfig
from django.db.models.signals import post_migrate


class ServicedeskConfig(AppConfig):
    name = "servicedesk"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        # Importing registers: the system checks, and the Celery application that shared tasks bind to.
        from inventory.search.index import Document, ensure, register
        from servicedesk import celery, checks  # noqa: F401

        register(
            Document("person", "servicedesk_user", ("first_name", "last_name", "email", "username")),
        )
        # After the last app, so that every table is there.
        post_migrate.connect(ensure, sender=self, dispatch_uid="search-index")
