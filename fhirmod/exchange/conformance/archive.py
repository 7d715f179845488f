"""The FHIR package: a gzipped tar of the conformance resources and examples, the same bytes for the same content.

Source: the package format that FHIR's package registries and tools use (https://confluence.hl7.org/display/FHIR/NPM+Package+Specification).
"""

import gzip
import io
import tarfile
from collections.abc import Iterable, Mapping
from typing import Any

import msgspec

from fhirmod.r4 import dump

_INDEXED = ("resourceType", "id", "url", "version", "kind", "type")


def archive(
    manifest: Mapping[str, Any], resources: Iterable[Mapping[str, Any]], examples: Iterable[Mapping[str, Any]]
) -> bytes:
    """Return the package: `package/package.json`, `.index.json`, the resources, and `package/example`."""
    own = {_filename(one): one for one in resources}
    shown = {_filename(one): one for one in examples}
    files = {"package/package.json": _text(manifest), "package/.index.json": _text(_index(own))}
    files |= {f"package/{name}": _text(own[name]) for name in sorted(own)}
    files["package/example/.index.json"] = _text(_index(shown))
    files |= {f"package/example/{name}": _text(shown[name]) for name in sorted(shown)}
    return gzip.compress(_tar(files), 9, mtime=0)


def _filename(resource: Mapping[str, Any]) -> str:
    return f"{resource['resourceType']}-{resource['id']}.json"


def _index(resources: Mapping[str, Mapping[str, Any]]) -> dict[str, Any]:
    listed = [
        {"filename": name, **{key: one[key] for key in _INDEXED if isinstance(one.get(key), str)}}
        for name, one in sorted(resources.items())
    ]
    return {"index-version": 2, "files": listed}


def _text(document: Mapping[str, Any]) -> bytes:
    return msgspec.json.format(dump(document), indent=1) + b"\n"


def _tar(files: Mapping[str, bytes]) -> bytes:
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode="w", format=tarfile.USTAR_FORMAT) as tar:
        for name, text in files.items():
            member = tarfile.TarInfo(name)
            member.size, member.mode = len(text), 0o644
            tar.addfile(member, io.BytesIO(text))
    return out.getvalue()
