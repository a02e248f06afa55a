"""Reports: the same record as text, as an annotated picture, and as a page to keep."""
