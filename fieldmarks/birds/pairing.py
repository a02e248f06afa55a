"""Pairing: what the records say about putting two birds together. Advice, never an order."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds.advice import advice_table
from fieldmarks.birds.due import UNDECIDED, breeds_from, first_moult_over
from fieldmarks.birds.family import Relative, family_faults
from fieldmarks.birds.mating import WILD
from fieldmarks.birds.model import Bird, Entry
from fieldmarks.birds.moult import PRESENT, in_order, timelines
from fieldmarks.birds.pedigree import Parents, kinship, recorded_share, shared_ancestors
from fieldmarks.birds.standing import SignStanding, showing_signs, standings
from fieldmarks.judge.conclusion import CONTRADICTED
from fieldmarks.judge.signs import SignStatus
from fieldmarks.rules import Tables

Weight = Literal["against", "wait", "not known", "for"]
LEVELS: dict[Weight, str] = {  # heaviest first
    "against": "We advise against this pair.",
    "wait": "Better wait with this pair.",
    "not known": "Nothing speaks against this pair, but some things are not known.",
    "for": "Nothing on record speaks against this pair.",
}
SETTLED = "one species left"  # the only outcome that takes a contradiction back


@dataclass(frozen=True)
class Reason:
    """One reason and which way it weighs."""

    weight: Weight
    about: str
    text: str


@dataclass(frozen=True)
class PairAdvice:
    """Advice on a pair.

    Args:
        weight: That of the heaviest reason.
        reasons: Heaviest first.
        kinship: Kinship coefficient, which is the inbreeding coefficient of the young.
        shared: Ids of parents and grandparents that both share (or the birds themselves).
    """

    weight: Weight
    sentence: str
    reasons: tuple[Reason, ...]
    kinship: float
    shared: tuple[str, ...]
    cautions: tuple[str, ...]


def advise_pair(
    first: Bird,
    second: Bird,
    entries: Mapping[str, Sequence[Entry]],
    parents: Parents,
    names: Mapping[str, str],
    tables: Tables,
    today: date,
    relatives: Mapping[str, Sequence[Relative]] | None = None,
) -> PairAdvice:
    """Weigh what is on record about two birds; all mappings are by a bird's id.

    Args:
        parents: Of all birds.
        relatives: Parents, grandparents and young.

    Raises:
        FieldmarksError: It is one and the same bird, or the pedigree runs in a circle.
    """
    if first.id == second.id:
        raise FieldmarksError(
            "a pair is two birds", where=first.label, mend="Choose another bird for one of them"
        )
    kin = kinship(parents, first.id, second.id)
    shared = sorted(shared_ancestors(parents, first.id, second.id))
    reasons = [
        _species(first, second, tables),
        _sex(first, second),
        _relation(kin, shared, parents, (first, second), names),
    ]
    for bird in (first, second):
        reasons += _own_reasons(bird, entries.get(bird.id, ()), tables, today)
        if bird.split_for:
            said = f"{bird.name} is split for {_named(bird.split_for, tables)}: young may show it."
            reasons.append(Reason("not known", "variety", said))
        own = (relatives or {}).get(bird.id, ())
        reasons += [Reason("against", "family", t) for t in family_faults(bird, own, tables)]
    reasons.sort(key=lambda r: list(LEVELS).index(r.weight))
    weight = reasons[0].weight
    cautions = advice_table().cautions("pairing")
    return PairAdvice(weight, LEVELS[weight], tuple(reasons), kin, tuple(shared), cautions)


Eye = Literal["light", "dark", ""]
# The colour of the eye as the measured marks of a bird tell it, L* (from memory; see tints.toml).
EYE_LIGHT = 45.0
# Which species to ask about when the eye is all that is known (common practice).
ASK_ABOUT: dict[Eye, tuple[str, ...]] = {
    "light": ("nigrigenis", "lilianae"),
    "dark": ("personatus", "fischeri"),
}
EYE_HINT = "In a white bird the eye is only a hint."


def eye_of(entries: Sequence[Entry]) -> Eye:
    """Whether the eye was read as light or dark when it was last measured; empty: not measured."""
    line = timelines(entries).get("iris")
    return ("light" if line[-1].point.lightness >= EYE_LIGHT else "dark") if line else ""


def warnings_for_test(
    bird: Bird, mate: Bird, advice: PairAdvice, tables: Tables, eye: Eye = ""
) -> tuple[str, ...]:
    """What to think about before a test mating of the bird in question, whose eye may have been
    read; empty when nothing on record warns.
    """
    asked, unknown = ASK_ABOUT.get(eye, ()), bird.species is None
    each = ", ".join(f"{' or '.join(kinds)} if it is {how}" for how, kinds in ASK_ABOUT.items())
    warnings: tuple[tuple[object, str], ...] = (
        (
            mate.variety != WILD,
            f"{mate.name} is {_named([mate.variety], tables)}. The mate must be a pure green bird "
            "of the species asked about: then all young must be green.",
        ),
        (
            mate.split_for,
            f"{mate.name} is split for {_named(mate.split_for, tables)}. The mate must be pure "
            "green: young of a split mate may come out in that colour and spoil the test.",
        ),
        (
            unknown and not asked,
            f"Which species to ask about first, the eye of {bird.name} may tell: {each}. "
            f"{EYE_HINT}",
        ),
        (
            unknown and asked and mate.species not in asked,
            f"{bird.name} has a {eye} eye: ask about {' or '.join(asked)} first, with a pure green "
            f"mate of that species. {EYE_HINT}",
        ),
        (
            mate.species is None,
            f"The species of the mate, {mate.name}, is not known, so the young tell nothing.",
        ),
        (
            mate.species is not None and bird.species not in (None, mate.species),
            "Young of two species are mixed in any case, so this test tells nothing.",
        ),
    )
    told = (sentence for is_so, sentence in warnings if is_so)
    return (*told, *(r.text for r in advice.reasons if r.weight in ("against", "wait")))


def _named(keys: Sequence[str], tables: Tables) -> str:
    return " and ".join(
        tables.varieties[key].name if key in tables.varieties else key for key in keys
    )


def _species(first: Bird, second: Bird, tables: Tables) -> Reason:
    if first.species is None or second.species is None:
        unknown = " and ".join(b.name for b in (first, second) if b.species is None)
        return Reason("against", "species", f"The species of {unknown} is not known.")
    one, other = (tables.species.get(b.species or "") for b in (first, second))
    names = [row.name if row else str(b.species) for row, b in ((one, first), (other, second))]
    if first.species == second.species:
        return Reason("for", "species", f"Both are said to be {names[0]}.")
    cross = advice_table().crossing(first.species, second.species)
    text = f"Two species: {' and '.join(names)}.{f' {cross.text}' if cross else ''}"
    return Reason("against", "species", text)


def _sex(first: Bird, second: Bird) -> Reason:
    if "unknown" in (first.sex, second.sex):
        said = "The sex of one or both is not known. A DNA test can tell."
        return Reason("not known", "sex", said)
    if first.sex == second.sex:
        return Reason("against", "sex", f"Both are {first.sex}s, so there will be no young.")
    return Reason("for", "sex", "A cock and a hen.")


def _relation(
    kin: float,
    shared: list[str],
    parents: Parents,
    birds: tuple[Bird, Bird],
    names: Mapping[str, str],
) -> Reason:
    text = f"Kinship {kin:.4g} from the recorded pedigree."
    if shared:
        text += f" Shared: {', '.join(names.get(key, key[:8]) for key in shared)}."
    least = advice_table().kin
    if kin >= least.close:
        return Reason("against", "kinship", f"Closely related. {text}")
    if kin >= least.some:
        return Reason("wait", "kinship", f"Somewhat related; ask for an unrelated mate. {text}")
    share = min(recorded_share(parents, b.id) for b in birds)
    if share < 1:
        text += (
            f" Only {share:.0%} of the parents and grandparents of one are on record; the true "
            "kinship can only be higher."
        )
        return Reason("not known", "kinship", text)
    return Reason("for", "kinship", text)


def _own_reasons(bird: Bird, entries: Sequence[Entry], tables: Tables, today: date) -> list[Reason]:
    over, ripe = first_moult_over(bird, tables), breeds_from(bird, tables)
    reasons = _sign_reasons(bird, entries, tables, over)
    if over is not None and today < over:
        reasons.append(Reason("wait", "age", f"{bird.name} is not grown before {over}."))
    elif ripe is not None and today < ripe:
        reasons.append(Reason("wait", "age", f"{bird.name} is old enough to breed from {ripe}."))
    elif over is None:
        reasons.append(Reason("not known", "age", f"The age of {bird.name} is not known."))
    if hidden := _hidden(bird, tables):
        reasons.append(Reason("not known", "variety", hidden))
    return reasons


def _sign_reasons(
    bird: Bird, entries: Sequence[Entry], tables: Tables, over: date | None
) -> list[Reason]:
    """What all looks that count say of a bird's species and of signs of mixed ancestry."""
    measured = [entry for entry in in_order(entries) if entry.observations]
    if not measured:
        said = f"{bird.name} has not been measured. Take a photo first."
        return [Reason("not known", "signs", said)]
    # A sign of another species, from a time when the bird was taken for that, says nothing now.
    stood = [s for s in standings(measured, over) if bird.species in (None, s.species)]
    reasons = [reason for found in stood for reason in _of_sign(bird, found, tables)]
    if against := _contradiction(bird, measured):
        return [*reasons, Reason("against", "species", against)]
    if reasons:
        return reasons
    decides = any(outcome not in UNDECIDED for outcome, *_ in measured[-1].conclusions)
    if not stood or not decides:
        said = f"{bird.name}: the last photo decides nothing. Take a better one."
        return [Reason("not known", "signs", said)]
    said = f"{bird.name}: no sign was seen in the marks read. That is no proof of purity."
    return [Reason("for", "signs", said)]


def _of_sign(bird: Bird, found: SignStanding, tables: Tables) -> list[Reason]:
    """The reason that one sign gives; none when it was looked for and not seen."""
    row, name, seen = tables.signs.get(found.sign), bird.name, found.status == SignStatus.SEEN.value
    text = row.text if row else found.sign
    if seen and row is not None and row.strength == "hint":
        said = f"{name} shows a hint: {text} Ask for its parents' records, or test-mate it."
    elif seen:
        said = f"{name} shows a sign: {text} Better keep it as a pet and not breed it."
        return [Reason("against", "signs", said)]
    elif found.disputed:
        said = f"{name}: {text} One look shows it and another does not. Look again."
    elif found.status in PRESENT:
        said = f"{name}: {text} Look again after its moult."
    elif found.status == SignStatus.DOUBTFUL.value:
        return [Reason("not known", "signs", f"{name}: not decided yet: {text}")]
    else:
        return []
    return [Reason("wait", "signs", said)]


def _contradiction(bird: Bird, measured: Sequence[Entry]) -> str:
    """What the last look says against the species, unless a later entry settles it; or empty."""
    for entry in reversed(measured):
        for outcome, sentence, claimed in reversed(entry.conclusions):
            if outcome in CONTRADICTED and claimed in (None, bird.species):
                return (
                    f"{bird.name}: the look of {entry.day} speaks against its species. {sentence}"
                )
        if any((o, c) == (SETTLED, bird.species) for o, _, c in entry.conclusions):
            break
    return ""


def _hidden(bird: Bird, tables: Tables) -> str:
    """Why a bird's variety hides signs, or empty."""
    kind = tables.varieties.get(bird.variety)
    if kind is None or bird.species is None:
        return ""
    shown = showing_signs(bird.species, bird.variety, tables)
    wild = [s for s in tables.signs.values() if s.species == bird.species and "green" in s.series]
    if len(shown) >= len(wild):
        return ""
    return (
        f"{bird.name} is {kind.name}: that hides signs ({len(shown)} can be seen instead of "
        f"{len(wild)} on a green bird). Test mating may tell more."
    )
