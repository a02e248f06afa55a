"""Keys of rows: how they are written, and that a row of another table goes by them.

The latter is checked where the context of the validation holds the keys of each table.
"""

import difflib
from typing import Annotated

from pydantic import AfterValidator, Field, ValidationInfo

from fieldmarks._util.errors import TableError


def _in(table: str, called: str) -> AfterValidator:
    """Refuses what is no key of a table whose rows are called so."""

    def check(key: str, info: ValidationInfo) -> str:
        if info.context and key not in info.context[table]:
            near = difflib.get_close_matches(key, list(info.context[table]), n=1)
            add = f"Add that {called}, or correct the word"
            mend = f"Did you mean {near[0]!r}?" if near else add
            raise TableError(f"there is no {called} {key!r}", mend=mend)
        return key

    return AfterValidator(check)


Own = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$", max_length=60)]  # of the row itself
Mark = Annotated[str, _in("marks", "mark")]
Swatch = Annotated[str, _in("swatches", "swatch")]
Species = Annotated[str, _in("species", "species")]
Variety = Annotated[str, _in("varieties", "variety")]
Single = Annotated[str, _in("single varieties", "variety")]  # no combination of two
Age = Annotated[str, _in("ages", "age")]
Relation = Annotated[str, _in("relations", "relation")]
Tint = Annotated[str, _in("tints", "tint")]
