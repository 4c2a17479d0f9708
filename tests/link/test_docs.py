"""What docs/hardware.md and docs/livemon.service say is what the program does."""

from __future__ import annotations

import argparse
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from livemon import live
from livemon.commands import link, watch
from livemon.sources import serial_open

DOCS = Path(__file__).parents[2] / "docs"
UNIT = (DOCS / "livemon.service").read_text(encoding="utf-8")


def test_the_service_starts_livemon_with_options_it_has() -> None:
    whole = UNIT.replace("\\\n", " ")
    variables = dict(re.findall(r'^Environment="(\w+)=(.*)"$', whole, re.M))
    command = re.search(r"^ExecStart=(.*)$", whole, re.M)
    assert command
    words = re.sub(r"\$(\w+)", lambda found: variables[found[1]], command[1]).replace("%%", "%").split()
    assert words[1] == "watch"
    parser = argparse.ArgumentParser(exit_on_error=False)
    watch.add_arguments(parser)
    args = parser.parse_args(words[2:])
    assert args.no_screen and args.serial and args.record and args.json
    assert "%Y" in args.record and "%Y" in args.json


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="needs systemd")
def test_systemd_takes_the_unit(tmp_path: Path) -> None:
    unit = tmp_path / "livemon.service"
    unit.write_text(UNIT.replace("/opt/livemon/bin/livemon", sys.executable), encoding="utf-8")
    done = subprocess.run(["systemd-analyze", "verify", str(unit)], capture_output=True, text=True)
    assert "livemon.service" not in done.stderr and done.returncode == 0, done.stderr


def test_the_rates_in_the_guide_are_those_that_are_tried() -> None:
    guide = (DOCS / "hardware.md").read_text(encoding="utf-8")
    listed = ", ".join(str(baud) for baud in serial_open.BAUDS[:-1]) + f" and {serial_open.BAUDS[-1]}"
    assert listed in " ".join(guide.split())


def test_every_message_of_the_guide_is_one_that_the_program_says() -> None:
    guide = (DOCS / "hardware.md").read_text(encoding="utf-8")
    rows = re.findall(
        r"^\| (expected a[^|]*?|the adapter[^|]*?|no link[^|]*?|link lost[^|]*?) \|", guide, re.M
    )
    sources = "".join(
        path.read_text(encoding="utf-8") for path in Path(serial_open.__file__).parent.glob("*.py")
    )
    sources += Path(watch.__file__).with_name("link.py").read_text(encoding="utf-8")
    assert len(rows) >= 7
    for row in rows:
        words = re.sub(r"^expected (.*?)(, got.*)?$", r"\1", row).split(" ...")[0].split(":")[0]
        assert words in sources, row


def test_the_guide_says_how_long_a_watch_waits() -> None:
    guide = " ".join((DOCS / "hardware.md").read_text(encoding="utf-8").split())
    opening_s = (vars(watch) | vars(link))["OPENING_S"]  # wherever the options of a link stand
    assert f"never was a link within {opening_s:.0f} s" in guide
    assert f"nobody ever answered for {live.NOBODY_S:.0f} s" in guide
