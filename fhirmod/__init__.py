"""The interoperable record of one uterine balloon tamponade: entries in, sums done, HL7 FHIR R4 out.

The floors, top to bottom; imports point down only (import-linter proves it)::

    fhirmod.cli          the command line
    api                  HTTP; the only floor that knows FastAPI and the wall clock
    fhirmod.registry     statistics for the case registry     fhirmod.exchange   the case as a whole: Bundles
    fhirmod.intake       the one path of every write; returns a receipt
    fhirmod.store        versioned resources, search index, episodes; SQLAlchemy Core
    fhirmod.mapping      Episode <-> FHIR R4, one two-way table per resource
    fhirmod.compute      pure functions of an Episode; no codes, no FHIR, no clock
    fhirmod.episode      entries, episode, site protocol
    fhirmod.r4           the R4 engine; knows no tamponade    terminology     concept -> codes
    fhirmod.udi          what a device's unique identifier says
    fhirmod.errors       findings and errors                  fhirmod.sources    publications
"""

__version__ = "0.1.0"
