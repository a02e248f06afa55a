"""Endings of the photo files that the program reads."""

RAW_SUFFIXES = (".dng", ".nef", ".cr2", ".cr3", ".arw", ".raf", ".orf", ".rw2", ".pef")
SUFFIXES = (
    ".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif", *RAW_SUFFIXES,
)  # fmt: skip
ENDING = "|".join(suffix.removeprefix(".") for suffix in SUFFIXES)  # for a regular expression
