"""What is loaded when: recording works where no screen is installed, and starts stay light."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


def modules_after(statement):
    """Return the top-level modules loaded by a fresh interpreter that ran `statement`."""
    loaded = "sorted({name.split('.')[0] for name in sys.modules})"
    code = f"import sys, json\n{statement}\nprint(json.dumps({loaded}))"
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60, cwd=ROOT
    )
    return set(json.loads(done.stdout.splitlines()[-1]))


def test_recording_works_without_a_screen(tmp_path):
    """A recording is made and summarised while importing textual or rich would fail."""
    code = (
        "import sys\n"
        "sys.modules['textual'] = sys.modules['rich'] = None\n"
        "from tui.command_line import main\n"
        "options = ['--headless', '--seconds', '2', '--speed', '50', '--out']\n"
        f"sys.exit(main(['demo', *options, {str(tmp_path)!r}]))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, timeout=60
    )
    assert done.returncode == 0, done.stderr
    assert len(list(tmp_path.glob("*.parquet"))) == 1


@pytest.mark.parametrize(
    ("statement", "absent"),
    [
        (
            "from tui.command_line import main; main(['--version'])",
            {"numpy", "pyarrow", "textual", "polars", "serial"},
        ),
        (
            "import firmware_protocol.host_link, firmware_protocol.virtual_logger",
            {"numpy", "asyncio", "socket"},
        ),
        (
            "import capture.engine.session, capture.links.serial_port",
            {"textual", "rich", "pyarrow", "polars", "bleak"},
        ),
        (
            "import tui.commands.summary, tui.commands.demo, tui.commands.record",
            {"textual", "rich", "pyarrow", "bleak"},
        ),
        (
            "from tui.command_line import main; main(['summary', 'recordings/orchard-wren.parquet'])",
            {"textual", "scipy", "polars", "bleak"},
        ),
        ("import tui.commands.find", {"textual", "rich", "pyarrow", "numpy", "serial"}),
        ("import tui.app, tui.local_workbench", {"pyarrow", "polars", "bleak"}),
    ],
    ids=["version", "protocol", "session", "commands", "summary", "find", "screens"],
)
def test_nothing_is_loaded_before_it_is_needed(statement, absent):
    """The version needs no library; pyarrow waits for a recording; the screen waits for a screen."""
    assert not absent & modules_after(statement)
