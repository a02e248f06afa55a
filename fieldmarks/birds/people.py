"""The people of a club: who may see and change what, in one place for every page and export.

A store as one person sees it (:meth:`Store.seen_by`) has that person in the options of its
connections. Each statement that goes over them is narrowed here before the database gets it, and
one that cannot be narrowed is refused. The command line has no person: whoever has the database has
all.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, get_args

import sqlalchemy as sa
from sqlalchemy import Alias, Connection, FromClause, Join, Select, Subquery, Table, select
from sqlalchemy.sql import visitors

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds import orm
from fieldmarks.birds.model import Bird, Kept, Pair, keys_of_birds, new_id
from fieldmarks.birds.reader import Reader

Role = Literal["keeper", "reader", "steward"]
ROLES: tuple[Role, ...] = get_args(Role)
WHAT = {
    "keeper": "sees and changes their own birds, and no others",
    "reader": "sees every bird of the club and changes nothing",
    "steward": "sees and changes everything, lets people in and hands birds over",
}
READS_ONLY = FieldmarksError("you may read here, and change nothing", mend="Ask the club's steward")
NOT_YOURS = FieldmarksError("only the club's steward may do this", mend="Ask the club's steward")
IN_WORDS = ("textclause", "text_as_from", "textual_select")  # what SQLAlchemy calls SQL as text
EVERYONE = {"everyone": True}  # execution option: a question that no answer to a person comes from


@dataclass(frozen=True)
class Person:
    """Someone who may in.

    Args:
        email: By which the steward let them in; in small letters.
        subject: Who the provider says it is (issuer and subject); None before the first sign-in.
            From then on it alone counts, whoever has the e-mail address later.
    """

    id: str
    email: str
    role: Role
    subject: str | None = None


def visible(source: Table | Alias, person: Person) -> Any:
    """Which rows of a table, or of one under another name, a person may see."""
    table, c = source.element if isinstance(source, Alias) else source, source.c
    # Where rows are looked up in a table that the statement has too, it is another reading of it.
    birds, looks = orm.birds.alias(), orm.entries.alias()
    own = select(birds.c.id).where(birds.c.owner == person.id)
    entries = select(looks.c.id).where(looks.c.bird.in_(own))
    if table is orm.people:
        return sa.true() if person.role == "steward" else c.id == person.id
    if person.role != "keeper" or table in (orm.settings, orm.rule_tables):
        return sa.true()
    conditions = {
        orm.birds: lambda: c.owner == person.id,
        orm.entries: lambda: c.bird.in_(own),
        orm.pairs: lambda: c.first.in_(own) & c.second.in_(own),
        orm.observations: lambda: c.entry.in_(entries),
        orm.links: lambda: c.bird.in_(own),
    }
    return conditions[table]()  # type: ignore[index]


def narrow(
    connection: Connection, statement: Any, many: Any, one: Any, _options: Mapping[str, Any]
) -> tuple[Any, Any, Any]:
    """What SQLAlchemy asks before each statement (event ``before_execute``)."""
    person: Person | None = connection.get_execution_options().get("person")
    if person is None or statement.get_execution_options().get("everyone"):
        return statement, many, one
    statement = _every_select_narrowed(statement, person)
    if isinstance(statement, Select):
        return statement, many, one
    if person.role == "reader":
        raise READS_ONLY
    if not isinstance(statement, sa.Insert | sa.Update | sa.Delete):
        raise TypeError(f"cannot be narrowed to what one person sees: {type(statement).__name__}")
    table = statement.table
    shared = table is orm.people or (
        table is orm.settings and not isinstance(statement, sa.Insert)  # in place of another's
    )
    if shared and person.role != "steward":
        raise NOT_YOURS
    if not isinstance(statement, sa.Insert):
        statement = statement.where(visible(table, person))  # type: ignore[arg-type]
    return statement, many, one


def _every_select_narrowed(statement: Any, person: Person) -> Any:
    """A statement in which each ``SELECT``, also one inside another, asks for visible rows only.

    Raises:
        TypeError: It holds a piece of SQL in words, which nobody can look into, or asks something
            that is neither a table nor narrowed itself.
    """

    def refuse(part: Any) -> None:
        raise TypeError(f"cannot be narrowed to what one person sees: {type(part).__name__}")

    for part in visitors.iterate(statement):
        literal = getattr(part, "is_literal", False) and str(part) != "*"  # as in count(*)
        if literal or part.__visit_name__ in IN_WORDS:
            refuse(part)

    def narrowed(found: Any) -> None:
        # What it joins itself, and what an outer one has given it: both are asked.
        waiting: list[FromClause] = list(found.get_final_froms())
        while waiting:
            source = waiting.pop()
            if isinstance(source, Join):
                waiting += [source.left, source.right]
            elif isinstance(source, Table) or (
                isinstance(source, Alias) and isinstance(source.element, Table)
            ):
                where = Select.where.non_generative  # type: ignore[attr-defined]
                where(found, visible(source, person))
            elif not isinstance(source, Subquery | sa.CTE):  # those hold a select of their own
                refuse(source)

    return visitors.cloned_traverse(statement, {}, {"select": narrowed})


def let_in(connection: Connection, email: str, role: Role) -> Person:
    """Let someone in by an e-mail address, or give them another role.

    Raises:
        FieldmarksError: It is no e-mail address, or no steward would be left.
    """
    email = email.strip().lower()
    if "@" not in email.strip("@") or len(email) > 254 or any(c.isspace() for c in email):
        raise FieldmarksError("this is no e-mail address", where=email, mend="Correct it")
    here = next((p for p in people(connection) if p.email == email), None)
    if here is None:
        here = Person(new_id(), email, role)
        connection.execute(sa.insert(orm.people).values(id=here.id, email=email, role=role))
    else:
        change = sa.update(orm.people).where(orm.people.c.id == here.id)
        connection.execute(change.values(role=role))
    _check_steward(connection)
    return Person(here.id, email, role, here.subject)


def put_out(connection: Connection, person: Person) -> None:
    """Let someone in no longer.

    Raises:
        FieldmarksError: They still have birds, or no steward would be left.
    """
    owned = select(sa.func.count()).select_from(orm.birds).where(orm.birds.c.owner == person.id)
    if count := connection.scalar(owned):
        raise FieldmarksError(
            f"{count} birds are theirs", where=person.email, mend="Hand them over first"
        )
    connection.execute(sa.delete(orm.people).where(orm.people.c.id == person.id))
    _check_steward(connection)


def _check_steward(connection: Connection) -> None:
    if not any(p.role == "steward" for p in people(connection)):
        raise FieldmarksError("a club needs a steward", mend="Make somebody else one first")


def people(connection: Connection) -> list[Person]:
    """Everyone who may in, by e-mail address."""
    query = select(orm.people).order_by(orm.people.c.email)
    return [Person(*row) for row in connection.execute(query)]


def who_is(connection: Connection, claims: Mapping[str, Any]) -> Person:
    """The person whom a provider has told about (OpenID Connect Core 1.0, 5.1 and 5.7).

    Raises:
        FieldmarksError: Nobody has let them in, or the provider has not checked their e-mail
            address.
    """
    subject = f"{claims['iss']} {claims['sub']}"
    c = orm.people.c
    known = select(orm.people).where(c.subject == subject)
    row = connection.execute(known).one_or_none()
    email = str(claims.get("email") or "").lower()
    if row is None and email and claims.get("email_verified") is True:
        change = sa.update(orm.people).where(c.email == email, c.subject.is_(None))
        connection.execute(change.values(subject=subject))
        row = connection.execute(known).one_or_none()
    if row is None:
        raise FieldmarksError(
            "you are signed in, but this club has not let you in",
            where=email,
            mend="Ask its steward to let in this e-mail address, once your provider has checked it",
        )
    return Person(*row)


def hand_over(connection: Connection, birds: Sequence[str], to: Person) -> None:
    """Give birds to another person, with their looks; the pairs of birds that all go, too.

    Raises:
        FieldmarksError: A parent, mate or young of one of them would stay with somebody else.
    """
    b, p, now = orm.birds.c, orm.pairs.c, Reader(connection)
    if birds:
        given = sa.update(orm.birds).where(b.id == sa.bindparam("of")).values(owner=to.id)
        connection.execute(given, [{"of": key} for key in birds])
    for column in (b.id, b.father, b.mother):
        check_owners(now, now.read(Bird, among=(column, birds)))
    for column in (p.first, p.second):
        check_owners(now, now.read(Pair, among=(column, birds)))


def check_owners(reader: Reader, things: Iterable[Kept]) -> None:
    """Relatives and mates have one owner: else a page of one would tell of another's birds.

    Raises:
        FieldmarksError
    """
    tied = [keys for keys in map(keys_of_birds, things) if len(keys) > 1]
    b, keys_of_all = orm.birds.c, {k for keys in tied for k in keys}
    query = select(b.id, b.owner, b.name)
    found = {row.id: row for row in reader.rows(query, (b.id, keys_of_all))}
    for keys in tied:
        rows = [found[k] for k in keys if k in found]
        if len({row.owner for row in rows}) > 1:
            raise FieldmarksError(
                f"{', '.join(row.name for row in rows)} are tied as family or pair, "
                "and not all have one owner",
                mend="Hand them over together, or take the tie off first",
            )
