"""The app's own look: a few rules on top of Streamlit's theme, light and dark."""

from __future__ import annotations

import streamlit as st

from fieldmarks.report.svg import DARK, LIGHT

RULES = """
.block-container { padding-top: 4.6rem; padding-bottom: 4rem; max-width: 1500px; }
[data-testid="stCaptionContainer"], [data-testid="stCaptionContainer"] p,
[data-testid="stRadioCaption"] p { color: var(--fm-soft) !important; }
button[kind^="primary"]:not(:disabled), button[kind^="primary"]:not(:disabled) p,
[data-tag] :is(span, svg) { color: var(--fm-paper) !important; }
[data-testid="stCaptionContainer"] { opacity: 1 !important; }
.fm-lead { font-size: 1.08rem; color: var(--fm-soft); margin: 0 0 1rem; }
.fm-verdict { border-left: 6px solid var(--fm-accent); background: var(--fm-panel);
  padding: .9rem 1.1rem; border-radius: 0 10px 10px 0; font-size: 1.12rem; line-height: 1.45; }
.fm-verdict small { display: block; color: var(--fm-soft); margin-top: .4rem; font-size: .9rem; }
.fm-card { display: flex; flex-wrap: wrap; gap: .4rem .8rem; align-items: center; }
.fm-card p { flex: 1 1 16rem; margin: 0; }
.fm-chip { width: 44px; height: 44px; border-radius: 8px; border: 1px solid var(--fm-line);
  flex: none; }
.fm-good { color: var(--fm-good); font-weight: 600; }
.fm-doubt { color: var(--fm-doubt); font-weight: 600; }
.fm-bad { color: var(--fm-bad); font-weight: 600; }
.fm-soft { color: var(--fm-soft); }
.fm-row { display: grid; grid-template-columns: minmax(7rem, 1fr) 2fr; gap: .3rem .8rem;
  align-items: start; padding: .55rem 0; border-top: 1px solid var(--fm-line); }
.fm-entry { border-top: 1px solid var(--fm-line); padding: .5rem 0; }
.fm-entry summary { cursor: pointer; min-height: 28px; }
.fm-entry ul { padding-left: 1.3rem; margin: .4rem 0; }
.fm-entry table { border-collapse: collapse; width: 100%; font-size: .9rem; }
.fm-entry caption { text-align: left; padding: .3rem 0; }
.fm-entry th, .fm-entry td { text-align: left; padding: .2rem .5rem .2rem 0; vertical-align: top; }
.fm-narrow { display: none; }
[data-testid="stHtml"] :is(li, p) { overflow-wrap: anywhere; }
.fm-whole { white-space: nowrap; }
.fm-lines { display: grid; grid-template-columns: repeat(auto-fit, minmax(min(22rem, 100%), 1fr));
  gap: .8rem 1.6rem; }
.fm-lines svg { width: 100%; height: auto; }
.fm-picture { margin: 0; }
.fm-picture img { width: 100%; border-radius: 8px; display: block; }
.fm-picture figcaption { color: var(--fm-soft); font-size: .9rem; margin-top: .3rem; }
.fm-row svg, .fm-sheet > svg { max-width: 100%; height: auto; }
@media (max-width: 640px) { .fm-row { grid-template-columns: 1fr; }
  .fm-narrow { display: block; } .fm-wide { display: none; }
  .block-container { padding-left: .8rem; padding-right: .8rem; } }
.st-key-ways a { border: 1px solid var(--fm-line); min-height: 40px; }
@media (min-width: 768px) { .st-key-ways { display: none !important; } }
@media (max-width: 640px) { :is(.st-key-demos, .st-key-list_filter) [data-testid="stColumn"] {
  min-width: calc(50% - 1rem); flex: 1 1 calc(50% - 1rem); } }
@media (prefers-reduced-motion: reduce) { * { animation: none !important;
  transition: none !important; } }
"""


def is_dark() -> bool:
    """Whether the keeper's browser shows the dark theme."""
    theme = getattr(st.context, "theme", None)
    return getattr(theme, "type", "light") == "dark"


def dress() -> None:
    """Put the look on the page."""
    colours = DARK if is_dark() else LIGHT
    names = "".join(f"--fm-{name}: {value};" for name, value in colours.items())
    st.html(f"<style>:root {{ {names} }}\n{RULES}</style>")
