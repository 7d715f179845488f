"""The R4 definitions that the facts are made from; at run time: terms, and the bases of differentials."""

import json
import lzma
from pathlib import Path
from typing import Any

DEFINITIONS = Path(__file__).parent / "definitions"


def read_input(name: str) -> list[dict[str, Any]]:
    """Return one of the committed definition files, parsed."""
    found: list[dict[str, Any]] = json.loads(lzma.decompress((DEFINITIONS / f"{name}.json.xz").read_bytes()))
    return found


def r4_terminology() -> list[dict[str, Any]]:
    """Return R4's value sets and code systems, as far as they are carried."""
    return [*read_input("value-sets"), *read_input("code-systems")]
