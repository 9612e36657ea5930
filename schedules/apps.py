"""Django's entry for the schedules package."""

from django.apps import AppConfig


class SchedulesConfig(AppConfig):
    name = "schedules"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from inventory.search.index import Document, register

        register(
            Document("visit", "schedules_visit", (), ("number",)),
            Document("certificate", "schedules_certificate", (), ("number", "verify_code")),
        )
