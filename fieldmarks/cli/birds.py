"""The command line of a bird's life: ``fieldmarks bird ...``. Heavy libraries load inside."""

from fieldmarks.cli import bird_looks, bird_pairs, bird_store  # each adds its commands
from fieldmarks.cli.bird_app import app

__all__ = ["app", "bird_looks", "bird_pairs", "bird_store"]
