"""The views that every replay and service uses load nothing heavy."""

from __future__ import annotations

import subprocess
import sys

import pytest

MODULES = ["keys", "memory", "plain", "report", "result", "snapshot", "trace", "trend"]


@pytest.mark.parametrize("module", MODULES)
def test_a_view_without_a_screen_loads_nothing_heavy(module: str) -> None:
    program = (
        f"import sys, livemon.views.{module}\n"
        "heavy = {'rich', 'numpy', 'can', 'cantools', 'jinja2', 'matplotlib'} & set(sys.modules)\n"
        "sys.exit(' '.join(heavy) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
