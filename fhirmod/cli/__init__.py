"""The command line (`fhirmod`): the commands, and how an episode reads in a terminal."""

from .commands import main

__all__ = ["main"]
