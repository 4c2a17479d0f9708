"""Replay the broadcast recording through its DBC and print the call, as `livemon replay` does."""

from __future__ import annotations

import sys
from pathlib import Path

from livemon.cli import main

HERE = Path(__file__).parent

if __name__ == "__main__":
    sys.exit(
        main(
            [
                "replay",
                str(HERE / "heron.log"),
                "--vehicle",
                str(HERE / "heron.toml"),
                "--dbc",
                str(HERE / "heron.dbc"),
                *sys.argv[1:],
            ]
        )
    )
