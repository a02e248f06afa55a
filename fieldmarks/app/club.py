"""The steward's page: who may in, and whose birds are whose."""

import streamlit as st

from fieldmarks.app.birds import shared as ui
from fieldmarks.birds.people import ROLES, WHAT, hand_over, let_in, people, put_out
from fieldmarks.birds.reader import bird_labels


def club_page() -> None:
    """People and owners; what is done here goes through the steward's own eyes on the store."""
    ui.heading("The club", "Who may in, as what, and whose birds are whose.")
    ui.say_done()
    seen = ui.store()
    with seen.engine.connect() as connection:
        known = {p.id: p for p in people(connection)}
    st.table(
        {
            "person": [ui.literal(p.email) for p in known.values()],
            "role": [p.role for p in known.values()],
            "signed in": ["yes" if p.subject else "never yet" for p in known.values()],
        }
    )
    with ui.errors_told():
        with st.form("let_in"):
            email = st.text_input("E-mail address", max_chars=254)
            role = st.selectbox("Role", ROLES, format_func=lambda r: f"{r}: {WHAT[r]}")
            if st.form_submit_button("Let in, or change the role"):
                with seen.writing() as work:
                    one = let_in(work.connection, email, role)
                ui.done_next_run(f"{one.email} may in as {one.role}.")
        labels = bird_labels(seen.birds())
        with st.form("hand_over"):
            birds = st.multiselect("Birds", list(labels), format_func=labels.__getitem__)
            to = st.selectbox("Now belong to", list(known), format_func=lambda k: known[k].email)
            st.caption("Parents, mates and young go together.")
            if st.form_submit_button("Hand over") and birds:
                with seen.writing() as work:
                    hand_over(work.connection, birds, known[to])
                moved = ui.count_of(len(birds), "bird")
                ui.done_next_run(f"{moved} handed over to {known[to].email}.")
        with st.form("put_out"):
            left = st.selectbox("Person", list(known), format_func=lambda k: known[k].email)
            st.caption("Their own birds are handed over first. They can do nothing more at once.")
            if st.form_submit_button("Let in no longer"):
                with seen.writing() as work:
                    put_out(work.connection, known[left])
                ui.done_next_run(f"{known[left].email} may in no longer.")
