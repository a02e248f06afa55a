"""What a breeder is reminded of, when a bird should be looked at again, and its summary."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import lru_cache

from fieldmarks.birds.model import Bird, Entry, Stage, Young
from fieldmarks.birds.moult import GROWN
from fieldmarks.birds.standing import SignStanding, standings
from fieldmarks.judge.signs import SignStatus
from fieldmarks.rules import Tables, load_rules
from fieldmarks.rules.schema import Facts
from fieldmarks.rules.tables import DAYS_PER_MONTH, age_class

OPEN = (SignStatus.DOUBTFUL.value, SignStatus.LOOK_AGAIN.value)
# What is told of a day whose photos differ: what speaks against the bird, then what says most.
# "not calibrated" stands in what version 0.2.0 kept.
GRAVEST_FIRST = (
    "claim contradicted", "none fits", "signs", "one species left", "several species left",
    "cannot be told", "nothing decided", "not calibrated", "nothing read",
)  # fmt: skip
RINGING = (
    "later it no longer goes over the foot. Let an experienced breeder put it on; your club and "
    "local rules say which ring."
)
UNDECIDED = ("nothing read", "not calibrated", "nothing decided", "cannot be told")


@lru_cache(maxsize=1)
def usual_tables() -> Tables:
    """The program's own tables: what a list shows must not depend on whose computer saved last."""
    return load_rules()


def first_moult_over(bird: Bird, tables: Tables) -> date | None:
    """Day by which a bird is through its first moult and mature; None when it cannot be known."""
    return _at_months(bird, tables, lambda f: max(f.first_moult_months[1], f.mature_months))


def breeds_from(bird: Bird, tables: Tables) -> date | None:
    """Day from which a bird is old enough to breed; None when it cannot be known."""
    return _at_months(bird, tables, lambda f: f.breed_from_months and f.breed_from_months[0])


def _at_months(bird: Bird, tables: Tables, age: Callable[[Facts], float | None]) -> date | None:
    row = tables.species.get(bird.species or "")
    months = age(row.facts) if row else None
    if months is None or bird.hatched is None:
        return None
    return bird.hatched + timedelta(days=round(months * DAYS_PER_MONTH))


@dataclass(frozen=True)
class Reminder:
    """Something to do from about a day on.

    ``until`` is the last day on which it can be done, ``title`` the few words for a calendar and
    ``text`` the whole sentence. ``about`` is the id of the bird or pair, ``who`` the young meant.
    """

    day: date
    until: date
    title: str
    text: str
    about: str = ""
    who: str = ""


def brood_dates(young: Sequence[Young], facts: Facts, today: date) -> tuple[Reminder, ...]:
    """When each young hatches, is ringed and flies, of those not flown yet; soonest first.

    Of an egg the later dates follow from the day on which it is due to hatch.
    """
    found = []
    for one in young:
        hatched, about = one.hatched, "from"
        if hatched is None and one.laid is not None and facts.hatch_days is not None:
            hatched, about = one.laid + timedelta(days=facts.hatch_days), "if it hatches then, from"
            said = f"{one.label}: due to hatch at about {hatched}."
            if today > hatched:
                said += " Has it? Put down the day, or take it off the list."
            found.append(Reminder(hatched, hatched, "due to hatch", said, who=one.label))
        if hatched is None or one.fledged is not None:
            continue
        if facts.ring_days is not None and one.ringed is None:
            first, last = (hatched + timedelta(days=d) for d in facts.ring_days)
            if today <= last:
                said = f"{one.label}: closed ring {about} {first} to {last}; {RINGING}"
                found.append(Reminder(first, last, "closed ring", said, who=one.label))
        if facts.fledge_weeks is not None:
            flies = hatched + timedelta(weeks=facts.fledge_weeks)
            if today <= flies:
                said = f"{one.label}: leaves the nest at about {flies}."
                found.append(Reminder(flies, flies, "leaves the nest", said, who=one.label))
    return tuple(sorted(found, key=lambda r: (r.day, r.text)))


def stage_fits(bird: Bird, day: date, stage: Stage, tables: Tables) -> bool:
    """Whether a bird can be in a stage of its moults on a day, as far as its age is known."""
    if bird.hatched is None or bird.hatch_known != "exact" or day < bird.hatched:
        return True
    return stage not in GROWN or age_class(tables, bird.hatched, day) != "young"


def _look_due(
    bird: Bird, entries: list[Entry], signs: list[SignStanding], over: date | None
) -> date | None:
    """Day from which a bird should be looked at again.

    A bird never measured is due at once. One measured young or in moult is due when its first moult
    is over. A grown bird is due only while a sign is left open.
    """
    if bird.status != "here" or bird.withdrawn:
        return None
    if not entries:
        return date(1970, 1, 1)
    last = entries[-1]
    if last.stage in ("young plumage", "in first moult"):
        return over or last.day + timedelta(days=180)
    if any(map(sign_is_open, signs)):
        return last.day
    return None


def sign_is_open(sign: SignStanding) -> bool:
    """Whether a further look could settle a sign: it was in doubt, or two looks contradict."""
    return sign.status in OPEN or sign.disputed


def summary(bird: Bird, entries: list[Entry], tables: Tables) -> dict[str, object]:
    """Summary columns of a bird: its signs over all entries, its outcome on the last day.

    Where the entries of that day, or photos not judged together, come to different conclusions the
    gravest stands, so that no order decides.
    """
    last = entries[-1] if entries else None
    of_day = {c[0] for e in entries if last and e.day == last.day for c in e.conclusions}
    outcome = next((o for o in GRAVEST_FIRST if o in of_day), min(of_day, default=None))
    over = first_moult_over(bird, tables)
    signs = standings(entries, over)
    return {
        "last_day": last.day if last else None,
        "last_outcome": outcome,
        "signs_seen": sum(s.status == SignStatus.SEEN.value for s in signs),
        "doubts": sum(map(sign_is_open, signs)) + (outcome in UNDECIDED),
        "look_due": _look_due(bird, entries, signs, over),
    }
