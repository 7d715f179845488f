"""Run the benchmarks: ``python -m tests.benchmarks [--short] [NAME ...]``; every figure names its baseline."""

import importlib
import inspect
import platform
import sys
from importlib.metadata import version

NAMES = (
    "r4",
    "peers",
    "mapping",
    "store",
    "state",
    "rules",
    "bedside",
    "transaction",
    "rest",
    "stories",
    "commands",
    "search",
    "workers",
)
LIBRARIES = ("pydantic", "sqlalchemy", "msgspec", "jiter", "fastapi", "starlette", "uvicorn")


def main(arguments: list[str]) -> None:
    short = "--short" in arguments
    wanted = [name for name in arguments if not name.startswith("--")] or list(NAMES)
    versions = ", ".join(f"{name} {version(name)}" for name in LIBRARIES)
    print(f"Python {platform.python_version()}, {versions}")
    for name in wanted:
        run = importlib.import_module(f"tests.benchmarks.{name}").run
        rows = run(short=short) if "short" in inspect.signature(run).parameters else run()
        print(f"\n{name}")
        for what, value, remark in rows:
            print(f"  {value:>12,.3f}  {what}  ({remark})")


if __name__ == "__main__":
    main(sys.argv[1:])
