import sys
from pathlib import Path

from django.core.management.base import BaseCommand, CommandError

from shifts.seats.roster_regulars import apply, look_at
from volunteers.models import User
from volunteers.progress import today
from volunteers.roster.applying import NotApplied, Preview
from volunteers.roster.columns import MEANINGS
from volunteers.roster.reading import LARGEST


class Command(BaseCommand):
    help = (
        "Shows what each row of a roster (CSV) becomes, regular drivers too; --apply brings it in, all or "
        "nothing. "
        "Ends with 1 when there is something to correct or to choose; nothing is brought in then."
    )

    def add_arguments(self, parser):
        parser.add_argument("file", metavar="FILE.csv")
        parser.add_argument("--apply", action="store_true", help="bring it in; else nothing is written")
        parser.add_argument(
            "--papers-seen",
            action="store_true",
            help="those who drive today have shown their papers; the dates follow within 30 days",
        )
        parser.add_argument(
            "--everybody-drives",
            action="store_true",
            help="rows that do not say whether somebody drives today are of people who do",
        )
        parser.add_argument("--area-code", default="", metavar="555", help="for phones of seven digits")
        parser.add_argument(
            "--column",
            action="append",
            default=[],
            metavar="phone=3",
            help="which column counts where several mean the same; may be repeated",
        )
        parser.add_argument("--by", metavar="EMAIL", help="the coordinator who does this, for the history")

    def handle(self, *, file, **options):
        look = look_at(
            contents(file),
            today=today(),
            papers_seen=options["papers_seen"],
            everybody_drives=options["everybody_drives"],
            area_code=area_code(options["area_code"]),
            chosen=dict(answer(text) for text in options["column"]),
        )
        by = sign_in(options["by"])
        self.show(look.shown)
        if not look.shown.may_apply:
            self.stderr.write("Nothing was brought in: correct this first.")
            sys.exit(1)
        if not options["apply"]:
            self.stdout.write("Nothing has been written yet. To bring it in, run this again with --apply.")
            return
        try:
            people, regulars = apply(look, by=by)
        except NotApplied as refused:
            raise CommandError(str(refused)) from None
        self.stdout.write(f"Brought in: {len(people)} people added or changed.")
        if regulars:
            self.stdout.write(f"Regular runs given: {regulars}.")

    def show(self, looked_at: Preview) -> None:
        if looked_at.source:
            self.stdout.write(f"Read as {looked_at.source}.")
        for heading, meaning in looked_at.understood:
            self.stdout.write(f"  {heading}: {meaning}")
        if looked_at.ignored:
            self.stdout.write(f"  Not used: {', '.join(looked_at.ignored)}")
        for notice in looked_at.notices:
            self.stdout.write(f"  {notice}")
        for outcome in looked_at.rows:
            self.stdout.write(f"Line {outcome.line}: {outcome.name or '(no name)'}. {outcome.in_words}")
            for remark in outcome.remarks:
                self.stdout.write(f"    {remark}")
        for becomes, count in looked_at.counts.items():
            self.stdout.write(f"{becomes}: {count}")
        for question in looked_at.questions:
            first = question.columns[0].number
            self.stderr.write(f"{question} Answer with --column {question.field}={first} or another number.")
        for problem in looked_at.problems:
            self.stderr.write(str(problem))


def contents(file: str) -> bytes:
    """The file, or as much of it as shows that it is too large."""
    try:
        with Path(file).open("rb") as opened:
            return opened.read(LARGEST + 1)
    except OSError as error:
        raise CommandError(f"{file} cannot be read: {error.strerror}.") from None


def area_code(text: str) -> str:
    if text and not (text.isascii() and text.isdigit() and len(text) == 3):
        raise CommandError("An area code has three digits, like --area-code 555.")
    return text


def answer(text: str) -> tuple[str, int]:
    field, _, number = text.partition("=")
    if field not in MEANINGS or not (number.isascii() and number.isdigit()):
        raise CommandError(f"--column {text} is not understood. Write it like --column phone=3.")
    return field, int(number)


def sign_in(email: str | None) -> User | None:
    if email is None:
        return None
    user = User.objects.filter(email=email.strip().lower(), is_coordinator=True).first()
    if user is None:
        raise CommandError(f"{email} is not the address of a coordinator. Leave --by out, or correct it.")
    return user
