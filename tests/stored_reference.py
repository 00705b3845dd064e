"""Figures of a heavy library, stored beside the script that made them.

`python tests/reference/stored/make_NAME.py > tests/reference/stored/NAME.json` makes them again, with the
extra `reference` installed.
"""

import json
from pathlib import Path

from pybamm_process import run_pybamm

STORED = Path(__file__).parent / "reference" / "stored"


def stored(name):
    """Return the stored document of that name."""
    return json.loads((STORED / f"{name}.json").read_text())


def made_again(name):
    """Return what the script beside it makes now."""
    return run_pybamm((STORED / f"make_{name}.py").read_text())
