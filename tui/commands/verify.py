"""`sagline verify`: how right the figures are, on fresh random runs of the built-in model."""

from __future__ import annotations

import secrets
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from tui.output import ProgressLine, WrongUsage, print_json, print_result

if TYPE_CHECKING:
    import argparse

_MEANS = (
    "Each run is a random pack on the virtual pole saw with a hobby logger that was calibrated and zeroed "
    "(gain errors of 0.05 % and 0.03 %, offsets of 4 mA and 3 mV, one standard deviation each), recorded "
    "like any other. Measured is the largest error of all runs. The true resistance is the model's: of a run "
    "at the mean temperature of the pack under load, of a step at the temperature it had then."
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    parser.epilog = _MEANS
    parser.add_argument("--runs", type=int, default=20, metavar="N", help="how many runs (20)")
    parser.add_argument("--seed", type=int, metavar="S", help="the seed of chance; without it, a new one")
    parser.add_argument("--json", action="store_true", help="print the result as JSON")


def run(arguments: argparse.Namespace) -> int:
    """Measure; return the exit status, which is 0 whether the targets are met or not."""
    import numpy as np

    from capture.verification.random_runs import random_run
    from capture.verification.targets import Tally, verdicts

    if arguments.runs < 1:
        raise WrongUsage("--runs is a number above 0")
    seed = secrets.randbelow(2**31) if arguments.seed is None else arguments.seed
    if seed < 0:
        raise WrongUsage("--seed must not be below 0")
    random, tally = np.random.default_rng(seed), Tally()
    progress = ProgressLine("verifying")
    with tempfile.TemporaryDirectory(prefix="sagline-verify-") as folder:
        for number in range(arguments.runs):
            made = random_run(random, Path(folder))
            tally.add(made)
            made.recording.unlink()
            progress.update(number + 1, arguments.runs)
    told = verdicts(tally)
    if arguments.json:
        print_json(
            {
                "runs": tally.runs,
                "seed": seed,
                "cuts": tally.true_cuts,
                "targets": [verdict.as_json() for verdict in told],
                "untold": tally.untold,
                "met": all(verdict.met for verdict in told),
            }
        )
        return 0
    print_result(f"{tally.runs} runs with {tally.true_cuts} cuts, seed {seed}")
    for verdict in told:
        met = "met   " if verdict.met else "MISSED"
        measured = f"{verdict.measured:8.2f} {verdict.unit:2}"
        print_result(f"  {met} {verdict.name:20} {measured}   target {verdict.target:g}")
    for name, count in sorted(tally.untold.items()):
        print_result(f"         {name}: cannot tell in {count} of the runs")
    print_result(_MEANS)
    return 0
