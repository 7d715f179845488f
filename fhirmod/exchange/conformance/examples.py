"""One good example of each profile, from the invented cases through the mapping; all are drills."""

from collections.abc import Iterator
from datetime import datetime
from itertools import count
from typing import Any
from uuid import UUID

from fhirmod.exchange.converting import conversion
from fhirmod.exchange.demo import demo_cases
from fhirmod.intake import Request
from fhirmod.mapping import BASE
from fhirmod.mapping.profiles import authored
from fhirmod.mapping.urls import profile
from fhirmod.r4 import dump, parse
from fhirmod.store import Access

from .specimens import specimens

_RECEIVED = datetime.fromisoformat("2026-11-25T00:00:00+00:00")
_SMALL = "typed-afterwards"  # the whole case that is shown


def examples() -> dict[str, dict[str, Any]]:
    """Return an example of each profile that is not an extension, by canonical: the one that says most."""
    found: dict[str, tuple[int, dict[str, Any]]] = {}
    for name, bundle in _cases():
        for resource in (entry["resource"] for entry in bundle["entry"]):
            for url in resource.get("meta", {}).get("profile", ()):
                size = len(dump(resource))
                if url.startswith(BASE) and size > found.get(url, (0, {}))[0]:
                    found[url] = (size, resource)
        if name == _SMALL:
            case = {"resourceType": "Bundle", "id": name, "meta": {"profile": [profile("case")]}}
            found[profile("case")] = (0, case | {key: bundle[key] for key in ("type", "entry")})
    wanted = [profile(one.name) for one in authored() if one.type != "Extension"]
    return {url: found[url][1] for url in wanted}


def _cases() -> Iterator[tuple[str, dict[str, Any]]]:
    for case in (*demo_cases(), specimens()):
        numbers = count(1)
        request = Request(Access.whole("examples"), _RECEIVED, lambda: str(UUID(int=next(numbers), version=4)))  # noqa: B023 - used up within the turn
        with conversion(request) as converter:
            made = converter.to_fhir(case.opening, case.entries, type="collection")
        assert not made.lost, made.lost
        yield case.name, parse(made.bundle)
