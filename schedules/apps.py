"""Django's entry for the schedules package."""

from django.apps import AppConfig


class SchedulesConfig(AppConfig):
    name = "schedules"
    default_auto_field = "django.db.models.BigAutoField"
