"""The views that every replay and service uses load nothing heavy."""

from __future__ import annotations

import subprocess
import sys

import pytest


@pytest.mark.parametrize("module", ["plain", "result", "trace", "memory", "trend", "keys", "snapshot", "report"])
def test_a_view_without_a_screen_loads_nothing_heavy(module: str) -> None:
    program = (
        f"import sys, livemon.views.{module}\n"
        "heavy = {'rich', 'numpy', 'can', 'cantools', 'jinja2', 'matplotlib'} & set(sys.modules)\n"
        "sys.exit(' '.join(heavy) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
