"""Small helpers that know nothing of birds."""
