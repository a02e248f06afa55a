"""A bird's life: its moults, pairs, test matings and disputes, kept so that later questions find
answers.
"""
