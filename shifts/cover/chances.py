"""How likely somebody says yes when they are asked to take a run: a share of their own answers, shrunk toward
everybody's."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

from django.db.models import Count, Q

from shifts.models import Ask
from shifts.models.asking import KEPT

# Common practice, no published source.
FIRST_GUESS = 0.3  # the chance of a yes, before anybody has been asked anything
GUESS_WEIGHS = 10  # as many answers, of everybody's together
PROGRAMME_WEIGHS = 6  # as many answers, of one person's own
TIME_TO_ANSWER = timedelta(days=1)  # silence says nothing before

YES = [Ask.Answer.YES, Ask.Answer.LATE, Ask.Answer.MOVED]


def shrunk(yes: int, asked: int, *, toward: float, weighs: float) -> float:
    """The mean of the chance of a yes after `yes` of `asked`, when a beta distribution of this mean, worth
    `weighs` answers, was believed before: (weighs * toward + yes) / (weighs + asked)."""
    return (weighs * toward + yes) / (weighs + asked)


def yes_chances(people: Iterable[int], at: datetime) -> dict[int, float]:
    """By the person's key, the chance that they say yes when asked at the moment `at`, between 0 and 1.

    From the answers of a year. A yes that came too late, or to a run that had moved, is a yes; a refusal of
    any kind and silence are a no. An open question younger than a day, and one that was withdrawn before
    they answered, count for nothing. Whoever was never asked has the programme's mean. One query.
    """
    told = (
        Ask.objects.filter(asked_at__gt=at - KEPT, asked_at__lte=at)
        .exclude(answer=Ask.Answer.CLOSED)
        .exclude(answer="", asked_at__gt=at - TIME_TO_ANSWER)
    )
    counts = (
        told.order_by().values("person").annotate(yes=Count("pk", filter=Q(answer__in=YES)), n=Count("pk"))
    )
    by_person = {pk: (yes, asked) for pk, yes, asked in counts.values_list("person", "yes", "n")}
    mean = shrunk(
        sum(yes for yes, _asked in by_person.values()),
        sum(asked for _yes, asked in by_person.values()),
        toward=FIRST_GUESS,
        weighs=GUESS_WEIGHS,
    )
    return {pk: shrunk(*by_person.get(pk, (0, 0)), toward=mean, weighs=PROGRAMME_WEIGHS) for pk in people}
