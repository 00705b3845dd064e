"""pybamm in a process of its own: it is heavy, and warns in its own ways."""

import json
import os
import subprocess
import sys


def run_pybamm(code, given=""):
    """Run `code` with `given` on its standard input; return the JSON that it prints last."""
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
