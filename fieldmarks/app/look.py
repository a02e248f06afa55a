"""The app's own look: a few rules on top of Streamlit's theme, light and dark."""

import streamlit as st

from fieldmarks.report.theme import DARK, LIGHT

RULES = """
.block-container { padding-top: 4.6rem; padding-bottom: 4rem; max-width: 1500px; }
[data-testid="stCaptionContainer"], [data-testid="stCaptionContainer"] p,
[data-testid="stRadioCaption"] p { color: var(--fm-soft) !important; }
button[kind^="primary"]:not(:disabled), button[kind^="primary"]:not(:disabled) p,
[data-tag] :is(span, svg) { color: var(--fm-paper) !important; }
[data-testid="stCaptionContainer"] { opacity: 1 !important; }
.fm-lead { font-size: 1.08rem; color: var(--fm-soft); margin: 0 0 1rem; }
.fm-is-good { --fm-tone: var(--fm-good); } .fm-is-bad { --fm-tone: var(--fm-bad); }
.fm-is-doubt { --fm-tone: var(--fm-doubt); }
.fm-verdict { border-left: 6px solid var(--fm-tone, var(--fm-accent)); background: var(--fm-panel);
  padding: .9rem 1.1rem; border-radius: 0 10px 10px 0; font-size: 1.12rem; line-height: 1.45; }
.fm-verdict h2 { font-size: 1.5rem; line-height: 1.25; padding: 0; margin: 0 0 .4rem; }
.fm-verdict > p { margin: 0 0 .3rem; font-size: 1.05rem; }
.fm-sign { display: inline-grid; place-items: center; width: 1.35em; height: 1.35em;
  margin-right: .45em; border-radius: 50%; background: var(--fm-tone, var(--fm-soft));
  color: var(--fm-paper); font-size: .85em; }
.fm-reason { display: flex; gap: .7rem; align-items: flex-start; margin: .55rem 0; }
.fm-reason img { width: 88px; height: 88px; border-radius: 8px; flex: none; }
.fm-reason p { margin: 0; font-size: .95rem; line-height: 1.3; }
.fm-chips { display: flex; gap: .8rem; margin-top: .3rem; }
.fm-chips figure { display: flex; gap: .35rem; align-items: center; margin: 0; font-size: .85rem; }
.fm-chips .fm-chip { width: 28px; height: 28px; }
.fm-next { font-weight: 600; margin: 0; }
.fm-count { white-space: nowrap; margin-left: .6rem; }
.fm-count svg { vertical-align: -3px; }
.fm-continue { display: flex; gap: .5rem; flex-wrap: wrap; margin-bottom: .5rem; }
.fm-continue[hidden] { display: none; }
.fm-continue button, .fm-bar { font: inherit; min-height: 44px; padding: .3rem 1rem;
  border-radius: 8px; border: 1px solid var(--fm-line); background: var(--fm-paper);
  color: var(--fm-ink); cursor: pointer; }
.fm-continue .fm-strong { background: var(--fm-accent); color: var(--fm-paper); font-weight: 600; }
.fm-too-large { color: var(--fm-bad); font-weight: 600; margin: 0; }
.fm-arriving { position: fixed; inset: auto 0 0 0; z-index: 999999; margin: 0; padding: .8rem 1rem;
  background: var(--fm-accent); color: var(--fm-paper); font-weight: 600; }
.fm-lost > :not(.fm-gone) { display: none; } .fm-gone { padding: 1.5rem; font-size: 1.1rem; }
.st-key-bar { display: none; }
.fm-verdict small { display: block; color: var(--fm-soft); margin-top: .4rem; font-size: .9rem; }
summary .fm-chip { display: inline-block; width: 22px; height: 22px; vertical-align: -5px; }
.fm-chip { width: 44px; height: 44px; border-radius: 8px; border: 1px solid var(--fm-line);
  flex: none; }
.fm-good, .fm-doubt, .fm-bad { font-weight: 600; }
.fm-good { color: var(--fm-good); } .fm-doubt { color: var(--fm-doubt); }
.fm-bad { color: var(--fm-bad); }
.fm-soft { color: var(--fm-soft); }
.fm-row { display: grid; grid-template-columns: minmax(7rem, 1fr) 2fr; gap: .3rem .8rem;
  align-items: start; padding: .55rem 0; border-top: 1px solid var(--fm-line); }
.fm-entry { border-top: 1px solid var(--fm-line); padding: .5rem 0; }
.fm-entry summary { cursor: pointer; min-height: 28px; }
.fm-entry ul { padding-left: 1.3rem; margin: .4rem 0; }
.fm-entry table { border-collapse: collapse; width: 100%; font-size: .9rem; }
.fm-entry caption { text-align: left; padding: .3rem 0; }
.fm-entry th, .fm-entry td { text-align: left; padding: .2rem .5rem .2rem 0; vertical-align: top; }
[data-testid="stHtml"] :is(li, p) { overflow-wrap: anywhere; }
.fm-whole { white-space: nowrap; }
.fm-lines { display: grid; grid-template-columns: repeat(auto-fit, minmax(min(22rem, 100%), 1fr));
  gap: .8rem 1.6rem; }
.fm-lines svg { width: 100%; height: auto; }
.fm-picture { margin: 0; }
.fm-picture img { width: 100%; border-radius: 8px; display: block; }
.fm-picture figcaption { color: var(--fm-soft); font-size: .9rem; margin-top: .3rem; }
.fm-row svg, .fm-sheet > svg { max-width: 100%; height: auto; }
[data-testid="stExpandSidebarButton"] > * { display: none; }
[data-testid="stExpandSidebarButton"]::after { content: "☰ Menu"; padding: 0 .4rem; }
@media (max-width: 640px) { [data-testid="stFileUploaderDropzoneInstructions"] { display: none; }
  .st-key-own_camera { display: none; }
  h1 { font-size: 1.7rem !important; padding-top: 0 !important; }
  .fm-row { grid-template-columns: 1fr; }
  .st-key-bar { display: block; position: fixed; left: 0; right: 0; bottom: 0; z-index: 9;
    width: 100% !important; background: var(--fm-paper); }
  .fm-bar { width: 100%; min-height: 52px; border-radius: 0; border-width: 4px 0 0;
    text-align: left; font-weight: 600; } .fm-bar::after { content: "↕"; float: right; }
  .block-container { padding: 3.75rem .8rem 5rem; } }
@media (min-width: 641px) { .st-key-photo_side { position: sticky; top: 4rem;
  max-height: calc(100vh - 4.5rem); overflow-y: auto; padding-right: 6px; } }
.st-key-ways a { border: 1px solid var(--fm-line); min-height: 40px; }
@media (min-width: 768px) { .st-key-ways { display: none !important; } }
@media (max-width: 640px) { :is(.st-key-demos, .st-key-list_filter) [data-testid="stColumn"] {
  min-width: calc(50% - 1rem); flex: 1 1 calc(50% - 1rem); } }
@media (prefers-reduced-motion: reduce) { * { animation: none !important;
  transition: none !important; } }
"""


def dress() -> None:
    """Put the look on the page; each colour follows the theme, also one switched in the browser."""
    names = "".join(f"--fm-{name}: light-dark({LIGHT[name]}, {DARK[name]});" for name in LIGHT)
    st.html(f"<style>:root {{ {names} }}\n{RULES}</style>")
