"""The demo lets anybody look in as anybody. It must not be switched on where real people sign in."""

from typing import Any

from django.conf import settings
from django.core.checks import CheckMessage, Error, Warning, register


@register()
def demo_is_off_in_production(app_configs: Any, **kwargs: Any) -> list[CheckMessage]:
    if settings.DEMO and settings.PRODUCTION:
        return [
            Error(
                "DEMO is on at an https:// address: /demo/ would let anybody in as anybody.",
                hint="Unset DEMO.",
                id="shifts.E001",
            )
        ]
    return []


@register(deploy=True)
def demo_is_off_when_deployed(app_configs: Any, **kwargs: Any) -> list[CheckMessage]:
    if settings.DEMO:
        return [Warning("DEMO is on.", hint="Unset DEMO before real people use this.", id="shifts.W001")]
    return []
