"""Endings of the photo files that the program reads."""

RAW_SUFFIXES = (".dng", ".nef", ".cr2", ".cr3", ".arw", ".raf", ".orf", ".rw2", ".pef")
SUFFIXES = (
    ".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif", *RAW_SUFFIXES,
)  # fmt: skip
ENDINGS = tuple(suffix.removeprefix(".") for suffix in SUFFIXES)
ENDING = "|".join(ENDINGS)  # for a regular expression
