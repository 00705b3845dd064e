"""Asks pybamm, in a process of its own, for what the model is compared with."""

import importlib.util
import json
import os
import subprocess
import sys

import pytest

needs_pybamm = pytest.mark.skipif(
    importlib.util.find_spec("pybamm") is None,
    reason="pybamm is not installed: pip install -e '.[reference]'",
)


def run_pybamm(code, given=""):
    """Return the JSON that a script prints last; `given` is its standard input."""
    environment = {**os.environ, "PYBAMM_DISABLE_TELEMETRY": "true", "PYTHONWARNINGS": "ignore"}
    done = subprocess.run(
        [sys.executable, "-c", code],
        input=given,
        capture_output=True,
        text=True,
        check=True,
        env=environment,
        timeout=170,
    )
    return json.loads(done.stdout.splitlines()[-1])
