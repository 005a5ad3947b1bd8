from django.apps import AppConfig
from django.db.models.signals import post_migrate


class VolunteersConfig(AppConfig):
    name = "volunteers"

    def ready(self) -> None:
        from volunteers.defaults import ship

        post_migrate.connect(ship, sender=self, dispatch_uid="shipped-steps")
