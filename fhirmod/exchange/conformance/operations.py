"""The OperationDefinition of the operation that is ours; `$validate` is HL7's own definition."""

from typing import Any

from .header import headed


def operation_definitions() -> list[dict[str, Any]]:
    """Return the definition of `$episode`."""
    described = (
        "The computed state of the tamponade that a Procedure is the anchor or a part of, as of an instant and as "
        "known at one. It says what was recorded and what follows from it; it never advises."
    )
    return [
        headed("OperationDefinition", "episode", "Episode", described)
        | {
            "kind": "operation",
            "affectsState": False,
            "code": "episode",
            "resource": ["Procedure"],
            "system": False,
            "type": False,
            "instance": True,
            "parameter": [
                _asked("as_of", "The instant that the state is of; without it, now."),
                _asked("known_at", "Only what had been received by this instant; without it, everything."),
                _answered("episode", "1", "id", "The id of the episode."),
                _answered("version", "1", "integer", "The version of the record of the episode."),
                _answered("anchor", "1", "Reference", "The anchor of the episode.")
                | {"targetProfile": ["http://hl7.org/fhir/StructureDefinition/Procedure"]},
                _answered("entry", "*", "id", "An entry that stands.") | {"min": 0},
                {
                    "name": "state",
                    "use": "out",
                    "min": 1,
                    "max": "1",
                    "documentation": "The state document of the service, a part for each of its members.",
                    "part": [
                        {
                            "name": "member",
                            "use": "out",
                            "min": 0,
                            "max": "*",
                            "documentation": "A member under its own name: numbers as decimals, words as strings, "
                            "groups as parts, lists as one part for each item.",
                            "type": "Element",
                        }
                    ],
                },
            ],
        }
    ]


def _asked(name: str, documented: str) -> dict[str, Any]:
    return {"name": name, "use": "in", "min": 0, "max": "1", "documentation": documented, "type": "instant"}


def _answered(name: str, most: str, type_: str, documented: str) -> dict[str, Any]:
    return {"name": name, "use": "out", "min": 1, "max": most, "documentation": documented, "type": type_}
