"""The one scale of strength: how many times likelier one explanation is than another, in words."""

import math

CLOSE, CLEAR, STRONG = 3.0, 10.0, 100.0
# Times likelier, from this many on: the word a keeper reads.
WORDS = ((STRONG, "very probably"), (CLEAR, "probably"), (CLOSE, "rather"))
TOO_CLOSE = "too close to call"
EXPLAINED = (
    f'"{TOO_CLOSE}" means less than {CLOSE:g} times likelier than the next, "rather" {CLOSE:g} to '
    f'{CLEAR:g} times, "probably" {CLEAR:g} to {STRONG:g} times, "very probably" more.'
)


def word(log_ratio: float) -> str:
    """Word for the natural logarithm of how many times likelier something is."""
    for least, said in WORDS:
        if log_ratio >= math.log(least):
            return said
    return TOO_CLOSE


def share(log_ratio: float) -> float:
    """Probability, 0 to 1, of something ``exp(log_ratio)`` times as likely as its opposite."""
    return 1 / (1 + math.exp(-min(max(log_ratio, -700.0), 700.0)))


# Where one mark fits, probably fits, and no longer is too close to call but does not fit. Of the
# 211 marks of 13 real birds without a card 4 % do not fit their own species so.
FITS, LIKELY, MISFIT = share(math.log(CLOSE)), 0.5, share(-math.log(CLOSE))
