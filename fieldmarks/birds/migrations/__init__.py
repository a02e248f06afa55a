"""Alembic migrations, shipped with the program and run when a store is opened."""
