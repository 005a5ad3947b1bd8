from django.apps import AppConfig


class ShiftsConfig(AppConfig):
    name = "shifts"

    def ready(self) -> None:
        from shifts.demo import checks  # noqa: F401  registers itself
