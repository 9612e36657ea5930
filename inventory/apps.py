"""Django's entry for the inventory package."""

from django.apps import AppConfig


class InventoryConfig(AppConfig):
    name = "inventory"
    default_auto_field = "django.db.models.BigAutoField"
