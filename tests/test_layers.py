"""The import rule of DEVELOPERS.md, read from the code itself."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import livemon

ROOT = Path(livemon.__file__).parent
BASE = {
    "livemon",
    "errors",
    "records",
    "quantities",
    "clock",
    "identifiers",
    "permit",
    "vin",
    "files",
    "rarity",
    "supplier",
    "arrays",
}
MAY_IMPORT: dict[str, set[str]] = {
    **{name: BASE for name in BASE},
    "converter": BASE,
    "vehicle": BASE | {"converter"},
    "vehicle_keys": BASE,
    "vehicle_file": BASE | {"converter", "vehicle", "vehicle_keys"},
    "vehicle_stall": BASE | {"converter", "vehicle"},
    "obd": BASE,
    "simulate": BASE | {"obd", "converter", "vehicle", "vehicle_file"},
    "sources": BASE | {"simulate"},
    "estimate": BASE | {"converter", "vehicle"},
    "diagnose": BASE | {"converter", "vehicle"},
    "store": BASE,
    "views": BASE | {"converter", "vehicle"},
    "run": BASE | {"converter", "vehicle", "estimate", "diagnose", "views"},
    "exchange": BASE | {"run", "sources", "obd", "store"},
    "live": BASE | {"run", "exchange", "sources", "obd", "store"},
}
TOP = {"commands", "cli", "__main__"}  # may import whatever they put together
OUTSIDE: dict[str, set[str]] = {  # third-party package -> the rooms (or files) that may import it
    "can": {"sources/can_", "sources/recording.py", "sources/simulated.py", "simulate/adapter"},
    "serial": {"sources/serial_open.py"},
    "cantools": {"sources/dbc_"},
    "rich": {"views/"},
    "jinja2": {"views/report"},
    "matplotlib": {"views/report"},
}
FILES = sorted(ROOT.rglob("*.py"))


def room_of(path: Path) -> str:
    first = path.relative_to(ROOT).parts[0]
    return "livemon" if first == "__init__.py" else first.removesuffix(".py")


def imports_of(path: Path) -> list[str]:
    names: list[str] = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module:
            if node.module == "livemon":  # `from livemon import x` may name a room
                names += [f"livemon.{alias.name}" for alias in node.names if not alias.name.startswith("_")]
            names.append(node.module)
    return names


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(ROOT)))
def test_imports_go_downward_only(path: Path) -> None:
    room = room_of(path)
    inside = str(path.relative_to(ROOT))
    assert room in MAY_IMPORT or room in TOP, f"what may {inside} import? Add it to MAY_IMPORT"
    for name in imports_of(path):
        parts = name.split(".")
        if parts[0] == "livemon":
            target = parts[1] if len(parts) > 1 else "livemon"
            if room not in TOP and target != room:
                assert target in MAY_IMPORT[room], f"{inside} may not import {name}"
        elif parts[0] in OUTSIDE:
            allowed = OUTSIDE[parts[0]]
            assert any(inside.startswith(place) for place in allowed), f"{inside} may not import {name}"


def test_importing_livemon_loads_nothing_heavy() -> None:
    heavy = "{'can', 'serial', 'rich', 'numpy', 'cantools'}"
    code = f"import sys, livemon, livemon.cli; print(*sorted({heavy} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == ""
