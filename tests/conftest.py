"""In CI nothing may be skipped: a tool that is missing there is a fault of the set-up, not of the machine."""

import os

import pytest

# as in tui.command_line, and before any test imports numpy
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item, call):
    report = yield
    if report.skipped and os.environ.get("CI") and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"{item.nodeid} was skipped in CI: {call.excinfo.value if call.excinfo else ''}"
    return report
