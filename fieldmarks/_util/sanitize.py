"""Text from outside made harmless: names, notes, what a file says of itself.

Control characters steer terminals and printers; direction marks and characters of no width make
text read as something else (Unicode TR 36 and UTS 39). U+FFFD takes their place, so that they are
seen and do nothing.
"""

import re

REPLACEMENT = "\ufffd"
LONGEST_TEXT = 600
# Controls but tab and line end, direction marks, characters of no width, tags, lone surrogates.
# Joiners (U+200C, U+200D) stay: some scripts and many emoji need them.
_HARMFUL = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200b\u200e\u200f\u2028-\u202e\u2060-\u206f\ufeff"
    "\ufff9-\ufffb\ud800-\udfff\U000e0000-\U000e007f]"
)


def harmless(text: str) -> str:
    """Text of several lines, with tabs and line ends as they are (CR LF and CR become LF)."""
    if text.isascii() and text.isprintable():  # nearly all: long lists hold many
        return text
    return _HARMFUL.sub(REPLACEMENT, re.sub("\r\n?", "\n", text))


def one_line(text: str) -> str:
    """A name or a cell: harmless, and on one line."""
    return re.sub(r"[\t\n]", " ", harmless(text))


def is_harmless(text: str) -> bool:
    """Whether text holds nothing that :func:`harmless` would replace."""
    return _HARMFUL.search(text) is None


def plain(text: object, longest: int = LONGEST_TEXT) -> str:
    """Text from outside for a page: harmless, one line, not endless.

    Line ends become spaces; control, direction-changing and unassigned characters become U+FFFD,
    so that they are seen and do nothing. Text over ``longest`` characters says how much is left
    out.
    """
    raw = str(text)
    words = " ".join(raw[:longest].split())
    kept = "".join(c if c.isprintable() else REPLACEMENT for c in words)
    left_out = len(raw) - longest
    return f"{kept}\u2026 ({left_out:,} more characters left out)" if left_out > 0 else kept
