"""`sagline verify` measures what it says, and can miss."""

import json
from types import SimpleNamespace

import numpy as np
import pytest

from capture.quantities import Figure
from capture.studies.columns import Span
from capture.verification.random_runs import random_run
from capture.verification.targets import Tally, verdicts
from tui.command_line import main


def test_two_fresh_runs_meet_every_target_but_chance(capsys):
    """Errors of every kind are far inside their targets; the share within 2 u of few figures is chance."""
    assert main(["verify", "--runs", "2", "--seed", "5", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["runs"], told["seed"]) == (2, 5)
    assert told["cuts"] > 5
    for target in told["targets"]:
        assert target["met"] or target["name"] == "figures within 2 u", target
    assert told["targets"][-1]["measured"] > 60


def test_the_same_seed_gives_the_same_run(tmp_path):
    first, second = (random_run(np.random.default_rng(7), tmp_path / name) for name in ("one", "two"))
    assert first.truth.cuts == second.truth.cuts
    assert first.truth.integrals == second.truth.integrals


def test_cuts_that_are_missed_invented_or_late_are_counted():
    tally = Tally()
    tally._add_cuts((Span(1.0, 2.1), Span(8.0, 9.0)), ((1.0, 2.0), (4.0, 5.0)))
    told = {verdict.name: verdict for verdict in verdicts(tally)}
    assert told["cuts missed"].measured == 1
    assert told["cuts invented"].measured == 1
    assert told["edges of cuts"].measured == pytest.approx(100.0)
    assert not any(told[name].met for name in ("cuts missed", "cuts invented", "edges of cuts"))


def test_figures_beyond_their_target_or_their_uncertainty_are_counted():
    tally = Tally()
    tally._add("energy", Figure(1.01, 0.001, "Wh"), 1.0)
    tally._add("energy", Figure(0.999, 0.001, "Wh"), 1.0)
    tally._add("energy", None, 1.0)
    told = {verdict.name: verdict for verdict in verdicts(tally)}
    assert told["energy"].measured == pytest.approx(1.0)
    assert not told["energy"].met
    assert told["figures within 2 u"].measured == pytest.approx(50.0)
    assert tally.untold == {"energy": 1}
    assert SimpleNamespace(**told["energy"].as_json()).target == pytest.approx(0.3)


def test_wrong_numbers_are_refused(capsys):
    assert main(["verify", "--runs", "0"]) == 2
    assert main(["verify", "--seed", "-1"]) == 2
    assert "above 0" in capsys.readouterr().err
