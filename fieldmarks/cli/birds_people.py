"""``fieldmarks bird``: the people of a club. Whoever has the database may do all of it."""

from __future__ import annotations

from typing import Annotated, Literal

import typer

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.cli.birds_options import app, open_store, say

Email = Annotated[str, typer.Argument(metavar="EMAIL", help="As their provider tells it.")]


@app.command()
def people(context: typer.Context) -> None:
    """List who may sign in, and as what."""
    from fieldmarks.birds.people import people as all_people

    with open_store(context) as store, store.engine.connect() as connection:
        for one in all_people(connection):
            say(f"{one.email}: {one.role}" + ("" if one.subject else ", never signed in"))


@app.command()
def let_in(
    context: typer.Context,
    email: Email,
    role: Annotated[
        Literal["keeper", "reader", "steward"], typer.Option("--as", help="Their role.")
    ] = "keeper",
) -> None:
    """Let somebody in by their e-mail address, or give them another role."""
    from fieldmarks.birds.people import WHAT
    from fieldmarks.birds.people import let_in as let_person_in

    with open_store(context) as store, store.writing() as work:
        one = let_person_in(work.connection, email, role)
    say(f"{one.email} may in as {one.role}: {WHAT[one.role]}.")


@app.command()
def hand_over(context: typer.Context, email: Email, birds: list[str]) -> None:
    """Make birds those of another member; parents, mates and young go together."""
    from fieldmarks.birds.people import hand_over as give
    from fieldmarks.birds.people import people as all_people

    with open_store(context) as store:
        found = [store.find(words).id for words in birds]
        with store.writing() as work:
            wanted = [p for p in all_people(work.connection) if p.email == email.strip().lower()]
            if not wanted:
                raise FieldmarksError("nobody of that address may in", where=email)
            give(work.connection, found, wanted[0])
    say(f"{len(found)} handed over to {wanted[0].email}.")
