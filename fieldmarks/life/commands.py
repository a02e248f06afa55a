"""The command line of a bird's life: ``fieldmarks bird ...``. Heavy libraries load inside."""

from fieldmarks.life import commands_birds, commands_more
from fieldmarks.life.command_parts import app

__all__ = ["app", "commands_birds", "commands_more"]
