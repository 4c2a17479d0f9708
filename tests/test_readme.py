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


def printed() -> list[tuple[str, list[str]]]:
    """Document and words of every command that is printed whole; a name or a synopsis is none."""
    found = []
    for path in DOCUMENTS:
        text = path.read_text(encoding="utf-8")
        blocks = re.findall(r"```(?:sh|console|text)?\n(.*?)```", text, re.S) + re.findall(
            r"`([^`\n]+)`", text
        )
        commands = [match[1] for block in blocks for match in COMMAND.finditer(block)]
        for command in commands:
            words = shlex.split(re.split(r"\s(?:#|>|\||&&)", command)[0])
            if len(words) > 2 and "..." not in words and not any(word.startswith("[") for word in words):
                found.append((path.name, words))
    return found


@pytest.mark.parametrize(
    ("document", "words"), printed(), ids=lambda case: case if isinstance(case, str) else " ".join(case)
)
def test_a_printed_command_is_taken(document: str, words: list[str]) -> None:
    name, *rest = words
    parser = OneLineParser(prog=f"livemon {name}")
    import_module(COMMANDS[name][0]).add_arguments(parser)
    parser.parse_args(rest)


def test_the_readme_prints_the_two_commands_that_do_everything() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert "livemon demo --fault stator_not_holding" in readme
    test_command = "python -m pytest"
    assert test_command in readme
    assert test_command in (ROOT / ".ci" / "run").read_text(encoding="utf-8")
