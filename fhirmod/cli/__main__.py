"""``python -m fhirmod.cli``."""

from . import main

main()
