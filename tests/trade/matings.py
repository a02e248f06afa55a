"""Put the described test matings to the program."""

from datetime import date

from described import Mating

from fieldmarks.birds.mating import judge_mating
from fieldmarks.birds.model import Bird, Young
from fieldmarks.birds.pairing import advise_pair, warnings_for_test
from fieldmarks.rules import Tables

SAYS = {
    "wrong pairing": "mixed",
    "wrong colour": "spoiled",
    "consistent so far": "fits so far",
    "not enough young": "too few",
    "no young yet": "nothing yet",
}


def answer(case: Mating, tables: Tables) -> tuple[str, str]:
    """What the program says of a test mating, in the breeder's words, and its sentences."""
    if case.young is None:
        bird = _bird("1" * 32, "Asked", case.bird)
        mate = _bird("2" * 32, "Mate", case.mate, case.mate_split)
        parents = {bird.id: (None, None), mate.id: (None, None)}
        advice = advise_pair(bird, mate, {}, parents, {}, tables, date(2026, 6, 1))
        found = warnings_for_test(bird, mate, advice, tables, case.eye)
        return ("warned" if found else "go ahead"), " ".join(found)
    words = [*case.young] * case.times + ([case.last] if case.last else [])
    young = []
    for place, word in enumerate(words):
        _, shows, finding = word.split()
        young.append(Young(f"Y{place}", finding=finding, shows=shows))
    result = judge_mating(young, case.mate)
    return SAYS[result.verdict], result.sentence


def _bird(key: str, name: str, words: str, split: tuple[str, ...] = ()) -> Bird:
    species, variety = words.split()
    known = None if species == "?" else species
    return Bird(key, name, species=known, variety=variety, split_for=split)
