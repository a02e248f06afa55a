"""Words: the trade's and the measurer's words, each explained in one or two short sentences."""

import difflib
import functools
import html
import re
import tomllib
from collections.abc import Mapping

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from fieldmarks._util.errors import TableError, first_fault
from fieldmarks._util.resources import shipped
from fieldmarks._util.sanitize import plain

LONGEST_SENTENCE = 170


class Word(BaseModel):
    """One word and what it means."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    word: str = Field(min_length=1, max_length=30)
    text: str = Field(min_length=10, max_length=LONGEST_SENTENCE, pattern=r"^[A-Z].*\.$")
    also: tuple[str, ...] = ()
    linked: bool = True

    @property
    def anchor(self) -> str:
        """Id of its entry on a page."""
        letters = "".join(c if c.isalnum() else "-" for c in self.word.lower())
        return f"word-{letters.strip('-')}"


def read_words(content: str, where: str = "words.toml") -> Mapping[str, Word]:
    """Check a glossary, TOML; word -> entry, in alphabetical order.

    Raises:
        TableError: A row is wrong, or one spelling is explained twice.
    """
    rows: dict[str, Word] = {}
    seen: set[str] = set()
    try:
        for word, row in tomllib.loads(content).get("words", {}).items():
            rows[word] = Word.model_validate({"word": word, **row})
            for spelling in (word, *rows[word].also):
                if spelling.lower() in seen:
                    raise TableError(f"{spelling!r} is explained twice", where=where)
                seen.add(spelling.lower())
    except tomllib.TOMLDecodeError as error:
        raise TableError(f"this is not TOML: {error}", where=where) from None
    except ValidationError as error:
        raise TableError(f"{word}: {first_fault(error)}", where=where) from None
    return {word: rows[word] for word in sorted(rows, key=str.lower)}


@functools.cache
def words() -> Mapping[str, Word]:
    """The shipped glossary, in alphabetical order."""
    path = shipped("data") / "guide" / "words.toml"
    return read_words(path.read_text(encoding="utf-8"), path.name)


@functools.cache
def _spellings() -> Mapping[str, Word]:
    return {s.lower(): row for row in words().values() for s in (row.word, *row.also)}


def explain(word: str) -> str:
    """What a word means, in one or two short sentences; capitals do not matter.

    Raises:
        TableError: The glossary does not hold the word.
    """
    found = _spellings().get(" ".join(word.lower().split()))
    if found is None:
        asked = word.lower().strip()
        near = [s for s in _spellings() if asked and asked in s]
        near += difflib.get_close_matches(asked, _spellings(), n=1)
        mend = f"Did you mean {near[0]!r}?" if near else "'fieldmarks word' lists all words"
        raise TableError(f"the word {plain(word, 40)!r} is not explained", mend=mend)
    return found.text


@functools.cache
def _pattern() -> re.Pattern[str]:
    """Finds any linked spelling as a whole word, the longest first."""
    linked = sorted((s for s, row in _spellings().items() if row.linked), key=len, reverse=True)
    return re.compile(rf"(?<![\w*])(?:{'|'.join(map(re.escape, linked))})(?![\w*])", re.IGNORECASE)


def words_in(text: str) -> tuple[Word, ...]:
    """The words of a text that the glossary explains, in alphabetical order, each once."""
    found = {_spellings()[match.group().lower()].word for match in _pattern().finditer(text)}
    return tuple(row for word, row in words().items() if word in found)


def link_words(text: str, longest: int = 2000) -> str:
    """A text as HTML, its trade words linked to their entries (``#word-...``).

    Everything is escaped and made harmless; each word is linked where it first stands.
    """
    safe = plain(text, longest)
    parts: list[str] = []
    seen: set[str] = set()
    start = 0
    for match in _pattern().finditer(safe):
        row = _spellings()[match.group().lower()]
        if row.word in seen:
            continue
        seen.add(row.word)
        parts.append(html.escape(safe[start : match.start()]))
        link = f'<a class="fm-word" href="#{row.anchor}">{html.escape(match.group())}</a>'
        parts.append(link)
        start = match.end()
    return "".join([*parts, html.escape(safe[start:])])
