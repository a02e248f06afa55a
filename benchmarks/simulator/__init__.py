"""A spectral simulator: light, plumage, camera and phone, so that the true colour is known.

Nothing in the measuring part of the package imports this one. Demo pictures made with it are
invented and never serve as evidence for a trade fact.
"""
