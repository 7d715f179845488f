"""The R4 definitions that the facts are made from; at run time only a differential's base is read from them."""

import json
import lzma
from pathlib import Path
from typing import Any

DEFINITIONS = Path(__file__).parent / "definitions"


def read_input(name: str) -> list[dict[str, Any]]:
    """Return one of the committed definition files, parsed."""
    found: list[dict[str, Any]] = json.loads(lzma.decompress((DEFINITIONS / f"{name}.json.xz").read_bytes()))
    return found
