"""What each validator takes and misses of the labelled corpus: ours, bare jsonschema-rs, fhir.resources, one in JavaScript.

Every label follows R4 (see `tests/r4/corpus`). "Bare" is our published subset schema without our keywords, on the types it
covers. The JavaScript one is npm's `fhir`, installed here when Node is there and the registry answers; else it is left out.
"""

import shutil
import subprocess
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import jsonschema_rs
from fhir.resources.R4B import get_fhir_model_class

from fhirmod.r4 import check, dump, parse, subset_schema
from fhirmod.r4.subset import SUBSET_TYPES
from tests.r4.corpus import changed, invalid, valid

JAVASCRIPT = "fhir@4.12.0"
SCRIPT = """
const { Fhir } = require('fhir');
const fhir = new Fhir();
const lines = require('fs').readFileSync(0, 'utf8').split('\\n').filter(Boolean);
for (const line of lines) {
  let ok = false;
  try { ok = fhir.validate(JSON.parse(line), { errorOnUnexpected: true }).valid; } catch (e) { ok = false; }
  console.log(ok ? 1 : 0);
}
"""

Judge = Callable[[list[dict[str, Any]]], list[bool]]


def ours(resources: list[dict[str, Any]]) -> list[bool]:
    return [not any(one.refuses for one in check(each)) for each in resources]


def bare(resources: list[dict[str, Any]]) -> list[bool]:
    validator = jsonschema_rs.Draft202012Validator(subset_schema())
    return [validator.is_valid(each) for each in resources]


def typed(resources: list[dict[str, Any]]) -> list[bool]:
    return [_loads(each) for each in resources]


def _loads(resource: dict[str, Any]) -> bool:
    try:
        get_fhir_model_class(str(resource.get("resourceType"))).model_validate_json(dump(resource))
    except Exception:  # noqa: BLE001 - whatever it raises, it refused
        return False
    return True


def javascript(resources: list[dict[str, Any]]) -> list[bool] | None:
    """Return the judgement of npm's `fhir`, or None where it cannot be had."""
    if shutil.which("npm") is None:
        return None
    with tempfile.TemporaryDirectory() as folder:
        install = ["npm", "install", "--no-audit", "--no-fund", "--silent", JAVASCRIPT]
        if subprocess.run(install, cwd=folder, capture_output=True, check=False).returncode:
            return None
        Path(folder, "judge.js").write_text(SCRIPT)
        lines = b"\n".join(dump(each) for each in resources)
        done = subprocess.run(["node", "judge.js"], cwd=folder, input=lines, capture_output=True, check=True)
    return [line == "1" for line in done.stdout.decode().split()]


def run() -> list[tuple[str, float, str]]:
    """Return, for each validator, the part of the valid it takes and of the invalid it takes all the same.

    Shape: then for each kind of fault, named by our code of it, how many each validator misses, side by side.
    """
    good = [parse(dump(one)) for one in valid().values() if one["resourceType"] in SUBSET_TYPES]
    base = valid()
    bad, kinds = [], []
    for case in invalid():
        refused = [code for severity, code, _ in case["finds"] if severity in ("error", "fatal")]
        if refused and base[case["base"]]["resourceType"] in SUBSET_TYPES:
            bad.append(changed(base[case["base"]], case))
            kinds.append(refused[0])
    judges: dict[str, Judge | Callable[[list[dict[str, Any]]], list[bool] | None]] = {
        "ours": ours,
        "jsonschema-rs, bare subset schema": bare,
        "fhir.resources R4B": typed,
        f"npm {JAVASCRIPT}": javascript,
    }
    rows: list[tuple[str, float, str]] = []
    missing: dict[str, list[str]] = {}
    for name, judge in judges.items():
        takes, misses = judge(good), judge(bad)
        if takes is None or misses is None:
            rows.append((f"{name}: not to be had here", float("nan"), "Node and npm are needed"))
            continue
        missing[name] = missed = [kind for kind, taken in zip(kinds, misses, strict=True) if taken]
        most = sorted(set(missed), key=missed.count, reverse=True)[:4]
        shown = ", ".join(f"{kind} {missed.count(kind)}" for kind in most) or "none"
        rows.append(
            (f"{name}: takes of {len(good)} valid", sum(takes), "a subset refuses what it leaves to the walker")
        )
        rows.append((f"{name}: misses of {len(bad)} invalid", len(missed), f"most often {shown}"))
    for kind in sorted(set(kinds), key=lambda one: (-kinds.count(one), one)):
        shown = ", ".join(f"{name} {missed.count(kind)}" for name, missed in missing.items())
        rows.append((f"of the kind {kind}", kinds.count(kind), f"missed: {shown}"))
    return rows
