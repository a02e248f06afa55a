"""Judging: a reading against what a species should show, signs, and one sentence."""
