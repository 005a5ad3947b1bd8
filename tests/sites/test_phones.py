"""Which phone numbers are taken, and how they are shown."""

import phonenumbers
import pytest
from django.core.exceptions import ValidationError
from phonenumber_field.phonenumber import to_python
from phonenumber_field.validators import validate_international_phonenumber


@pytest.mark.parametrize(
    "typed", ["(555) 555-0142", "555.555.0142", "+1 555 555 0142", "1-555-555-0142", "5555550142"]
)
def test_any_us_form_is_one_number(typed):
    """The written forms are those of phonenumbers' national and international formats and their dots."""
    number = to_python(typed)
    validate_international_phonenumber(number)
    assert number.as_e164 == "+15555550142"
    assert str(number) == "(555) 555-0142"
    assert str(number) == phonenumbers.format_number(number, phonenumbers.PhoneNumberFormat.NATIONAL)


@pytest.mark.parametrize("typed", ["555-0142", "12", "call me", "(555) 555-01422", "+1 555 555"])
def test_what_cannot_be_dialled_is_refused(typed):
    with pytest.raises(ValidationError):
        validate_international_phonenumber(to_python(typed))
