from typing import Any

from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.core.validators import validate_email

from volunteers.people import appoint_coordinator


class Command(BaseCommand):
    help = "Gives the desk to an address. The first coordinator of an installation is made like this."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("email")
        parser.add_argument("name", nargs="+")

    def handle(self, *args: Any, email: str, name: list[str], **options: Any) -> None:
        try:
            validate_email(email)
        except ValidationError as error:
            raise CommandError(f"{email} is not an e-mail address.") from error
        person = appoint_coordinator(email=email, name=" ".join(name), by=None)
        self.stdout.write(f"{person} may now sign in with {email} and use the desk.")
