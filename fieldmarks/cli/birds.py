"""The command line of a bird's life: ``fieldmarks bird ...``. Heavy libraries load inside."""

from fieldmarks.cli import birds_first as commands_birds
from fieldmarks.cli import birds_more as commands_more
from fieldmarks.cli import birds_people as commands_people
from fieldmarks.cli.birds_options import app

__all__ = ["app", "commands_birds", "commands_more", "commands_people"]
