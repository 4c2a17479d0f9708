"""Every livemon command the documents print is one the program takes."""

from __future__ import annotations

import re
import shlex
from importlib import import_module
from pathlib import Path

import pytest

from livemon.cli import COMMANDS, OneLineParser

ROOT = Path(__file__).parent.parent
DOCUMENTS = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))]
COMMAND = re.compile(rf"\blivemon ((?:{'|'.join(COMMANDS)})\b[^`\n]*)")


def printed() -> list[tuple[str, str]]:
    found = []
    for path in DOCUMENTS:
        text = path.read_text(encoding="utf-8")
        blocks = re.findall(r"```(?:sh|console|text)?\n(.*?)```", text, re.S) + re.findall(
            r"`([^`\n]+)`", text
        )
        found += [(path.name, match[1].strip()) for block in blocks for match in COMMAND.finditer(block)]
    return found


@pytest.mark.parametrize(("document", "command"), printed())
def test_a_printed_command_is_taken(document: str, command: str) -> None:
    name, *rest = shlex.split(re.split(r"\s(?:#|>|\||&&)", command)[0])
    if len(rest) < 2 or "..." in rest or any(word.startswith("[") for word in rest):
        return
    parser = OneLineParser(prog=f"livemon {name}")
    import_module(COMMANDS[name][0]).add_arguments(parser)
    parser.parse_args(rest)


def test_the_readme_prints_the_two_commands_that_do_everything() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert "livemon demo --fault stator_not_holding" in readme
    test_command = "python -m pytest"
    assert test_command in readme
    assert test_command in (ROOT / ".ci" / "run").read_text(encoding="utf-8")
