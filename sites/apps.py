import phonenumbers
from django.apps import AppConfig
from phonenumber_field.phonenumber import PhoneNumber


def is_possible(number: PhoneNumber) -> bool:
    """Ten digits that can be dialled. The library's own "valid" also asks its table of area codes, which
    is older than the newest of them, and has no 555-01xx, the numbers kept for invented people."""
    return phonenumbers.is_possible_number_with_reason(number) == phonenumbers.ValidationResult.IS_POSSIBLE


class SitesConfig(AppConfig):
    name = "sites"

    def ready(self) -> None:
        PhoneNumber.is_valid = is_possible  # the library asks it wherever it takes, stores or shows a number
