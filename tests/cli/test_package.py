"""The FHIR package is what FHIR's tools take: its folders, manifest, index and every file in it.

Source: the package format of FHIR's package registries (https://confluence.hl7.org/display/FHIR/NPM+Package+Specification):
package/package.json with name, version, fhirVersions and dependencies; .index.json of version 2 lists each resource.
"""

import tarfile
from pathlib import Path
from typing import Any

import pytest
from fhir.resources.R4B import get_fhir_model_class

from fhirmod.cli.publishing import FOLDER
from fhirmod.exchange import fhir_package
from fhirmod.mapping import known_profiles
from fhirmod.r4 import check, dump, parse


@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    file = tmp_path_factory.mktemp("package") / "fhirmod.tgz"
    file.write_bytes(fhir_package())
    with tarfile.open(file, "r:gz") as tar:
        assert all(member.isfile() for member in tar)
        return {member.name: parse(found.read()) for member in tar if (found := tar.extractfile(member)) is not None}


def test_it_says_what_it_is(package: dict[str, Any]) -> None:
    manifest = package["package/package.json"]
    guide = package["package/ImplementationGuide-fhirmod.tamponade.json"]
    assert manifest["type"] == "fhir.ig"
    assert manifest["fhirVersions"] == ["4.0.1"] == guide["fhirVersion"]
    assert manifest["dependencies"] == {"hl7.fhir.r4.core": "4.0.1"}
    assert (manifest["name"], manifest["version"], manifest["url"], manifest["license"]) == (
        guide["packageId"], guide["version"], guide["url"], guide["license"],
    )  # fmt: skip


@pytest.mark.parametrize("folder", ["package/", "package/example/"])
def test_its_index_lists_each_file_as_it_is(package: dict[str, Any], folder: str) -> None:
    index = package[f"{folder}.index.json"]
    assert index["index-version"] == 2
    there = {
        name.removeprefix(folder): one
        for name, one in package.items()
        if name.rpartition("/")[0] + "/" == folder and "resourceType" in one
    }
    assert [one["filename"] for one in index["files"]] == sorted(there)
    for one in index["files"]:
        resource = there[one["filename"]]
        assert one["filename"] == f"{resource['resourceType']}-{resource['id']}.json"
        assert {key: resource[key] for key in one if key != "filename"} == {
            key: value for key, value in one.items() if key != "filename"
        }


def test_every_resource_in_it_is_valid_and_loads_elsewhere(package: dict[str, Any]) -> None:
    for name, one in package.items():
        if "resourceType" in one:
            assert [found for found in check(one, known=known_profiles()) if found.severity == "error"] == [], name
    for name, one in package.items():
        if "resourceType" in one and "/example/" not in name:
            get_fhir_model_class(one["resourceType"]).model_validate(one)


def test_the_guide_lists_what_is_there(package: dict[str, Any]) -> None:
    guide = package["package/ImplementationGuide-fhirmod.tamponade.json"]
    listed = [one["reference"]["reference"] for one in guide["definition"]["resource"]]
    there = {f"{one['resourceType']}/{one['id']}" for one in package.values() if "resourceType" in one}
    assert sorted(listed) == sorted(there - {"ImplementationGuide/fhirmod.tamponade"})
    for one in guide["definition"]["resource"]:
        if "exampleCanonical" in one:
            type_, _, id_ = one["reference"]["reference"].partition("/")
            shown = package[f"package/example/{type_}-{id_}.json"]
            assert one["exampleCanonical"] in shown["meta"]["profile"]


def test_it_holds_what_is_committed_for_partners(package: dict[str, Any]) -> None:
    def committed(*folders: str) -> dict[str, Any]:
        files = (file for folder in folders for file in Path(FOLDER / folder).glob("*.json"))
        return {f"{one['resourceType']}/{one['id']}": one for one in (parse(file.read_bytes()) for file in files)}

    packed = {f"{one['resourceType']}/{one['id']}": one for one in package.values() if "resourceType" in one}
    kept = committed("profiles", "terminology", "conformance", "examples")
    assert {name: dump(one) for name, one in packed.items()} == {name: dump(one) for name, one in kept.items()}


def test_it_is_the_same_bytes_each_time() -> None:
    assert fhir_package() == fhir_package()
