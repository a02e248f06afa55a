"""Measure the plumage of small parrots on a photo and compare it with each species' marks."""

__version__ = "0.2.0"
