"""Outlines: from a few taps on a bird, outlines of the marks in sight, each with how sure it is.

Nothing proposed here is used unasked: the keeper keeps, drops or reshapes each outline.
"""

from fieldmarks.measure.outlines.axes import Taps
from fieldmarks.measure.outlines.proposal import ProposedMark, propose

__all__ = ["ProposedMark", "Taps", "propose"]
