"""Without a screen, as a service runs it: the adapter simulator, watch, SIGTERM, the outputs."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from livemon.commands.drive import judge

pytestmark = pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals")


def test_watch_as_a_service_over_the_simulated_adapter(tmp_path: Path) -> None:
    log, result = tmp_path / "drive.log", tmp_path / "drive.json"
    program = [sys.executable, "-m"]
    with subprocess.Popen(
        [*program, "livemon.simulate.adapter", "--seed", "1"], stdout=subprocess.PIPE, text=True
    ) as adapter:
        try:
            assert adapter.stdout
            words = adapter.stdout.readline().split()
            assert words[:3] == ["livemon", "watch", "--serial"]
            options = [*words[1:], "--no-screen", "--record", str(log), "--json", str(result)]
            watch = subprocess.Popen(
                [*program, "livemon", *options], stdout=subprocess.PIPE, stderr=subprocess.PIPE
            )
            until_s = time.monotonic() + 20.0
            while not (log.exists() and log.stat().st_size > 3000) and time.monotonic() < until_s:
                assert watch.poll() is None
                time.sleep(0.05)
            watch.send_signal(signal.SIGTERM)
            out, err = watch.communicate(timeout=20.0)
        finally:
            adapter.terminate()
    assert watch.returncode == 0, err
    assert b"Traceback" not in err and out.strip()
    written = json.loads(result.read_text(encoding="utf-8"))
    assert written["recording"]["readings"] > 10
    assert judge(str(log))["recording"]["readings"] == written["recording"]["readings"]
