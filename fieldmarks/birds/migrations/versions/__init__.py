"""One file per change of the database, oldest first."""
