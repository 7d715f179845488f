"""What every conformance resource of ours says of itself."""

from typing import Any

from fhirmod.mapping import BASE
from terminology import VERSION, publication


def headed(type_: str, id_: str, title: str, description: str) -> dict[str, Any]:
    """Return the head of a conformance resource; a NamingSystem has no url, version or title in R4."""
    head: dict[str, Any] = {"resourceType": type_, "id": id_}
    bare = type_ == "NamingSystem"
    if not bare:
        head |= {"url": f"{BASE}/{type_}/{id_}", "version": VERSION}
    head["name"] = "".join(part.capitalize() for part in id_.split("-"))
    if type_ not in ("OperationDefinition", "SearchParameter") and not bare:
        head["title"] = title
    return head | {
        "status": "draft",
        **({} if bare else {"experimental": False}),
        **publication(),
        "description": description,
    }
