"""Django's entry for the inventory package."""

from django.apps import AppConfig
from django.db.backends.signals import connection_created


class InventoryConfig(AppConfig):
    name = "inventory"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from inventory.search.index import Document, register, teach_fold

        connection_created.connect(teach_fold, dispatch_uid="search-fold")
        register(
            Document("unit", "inventory_unit", (), ("number", "serial")),
            Document(
                "place", "inventory_location", ("building", "floor", "description", "hazard"), ("number",)
            ),
            Document(
                "site",
                "inventory_site",
                ("name", "address_line", "city", "region", "postcode"),
                ("code",),
            ),
            Document(
                "owner", "inventory_owner", ("name", "contact_name", "contact_email"), ("contact_phone",)
            ),
            Document(
                "model", "inventory_unitmodel", ("maker", "name", "agent", "charge_text"), ("cylinder_spec",)
            ),
            Document("lot", "inventory_lot", ("maker", "supplier"), ("lot_no",)),
            Document("card", "inventory_jobcard", (), ("number",)),
        )
