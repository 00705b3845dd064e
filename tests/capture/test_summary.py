"""The summary of a stored run: the same figures as live, in JSON, with what a reader should know."""

import struct
from dataclasses import replace

import pytest
from logger_streams import channel, end, logger_with, start_reply

from capture.events import TypedReading
from capture.figure_uncertainty import run_uncertainty, with_uncertainties
from capture.folds.run import RunFolds
from capture.opening import Opening
from capture.run import Run
from capture.storage.amendments import Amendments, amend
from capture.storage.naming import amendments_of
from capture.storage.parquet_file import RecordingFile
from capture.storage.recording import open_recording
from capture.summary import summarise
from firmware_protocol.messages import Samples

CHANNELS = (
    channel(),
    channel(1, "voltage", "V"),
    channel(2, "group_1", "V", scale="0.001"),
    channel(3, "group_2", "V", scale="0.001"),
    channel(4, "pack_temperature", "Cel", divisor=4),
    channel(5, "speed", "1/min", scale="1", divisor=2),
)
DIVISORS = {"pack_temperature_degc": 4, "speed_rpm": 2}
MISSING = -32768
ROWS = 2000


def row(index):
    """Return 20 A at 8 V, groups of 4 V and 3.9 V, 25 to 45 degC, 3000 rpm with a slip and a hole."""
    counts = [2000, 800, 4000, 3900 if index == 700 else 3950]
    if index % 4 == 0:
        counts.append(MISSING if index == 400 else 2500 + index)
    if index % 2 == 0:
        counts.append({1000: 6000, 1200: MISSING}.get(index, 3000))
    return struct.pack(f"<{len(counts)}h", *counts)


@pytest.fixture(scope="module")
def stored(tmp_path_factory):
    """Return a recording of the rows above, and the figures of the folds that ran beside it."""
    path = tmp_path_factory.mktemp("summary") / "a.parquet"
    run, folds = Run(Opening(0, logger_with(CHANNELS))), RunFolds(divisors=DIVISORS)
    file = RecordingFile(path, run.path.decoder.columns)
    for first in range(0, ROWS, 8):
        rows = b"".join(row(index) for index in range(first, first + 8))
        message = Samples(7, first, first * 1000, 8, rows)
        for block in run.receive([start_reply(0), message] if first == 0 else [message]).ordered:
            folds.feed([block])
            file.append(block)
    assert end(run) == []
    file.seal(run.document())
    return open_recording(path), folds.figures()


def test_a_stored_run_gives_the_live_figures(stored):
    """Divisors are taken from the document, so every channel's figures are equal to the bit."""
    recording, live = stored
    assert summarise(recording).figures == live


def test_uncertainties_are_the_same_whoever_asks(stored):
    """They follow from the folds' sums and the document: nothing is read again for them."""
    recording, live = stored
    known = run_uncertainty(live, recording.document)
    stated = summarise(recording).stated
    assert stated == with_uncertainties(live, known)
    assert stated.energy.u > 0
    assert live.energy.u is None


def test_the_json_tells_of_every_channel(stored):
    """Mean, extremes, time covered and readings by column, suspect speeds left out."""
    told = summarise(stored[0]).as_json()
    assert told["channels"].keys() == set(stored[0].columns)
    speed = told["channels"]["speed_rpm"]
    assert (speed["lowest"], speed["highest"], speed["readings"]) == (3000.0, 3000.0, ROWS // 2 - 2)
    assert speed["covered_s"] == pytest.approx(1.998)
    assert speed["integral"] == pytest.approx(1.998 * 3000.0)
    speed, group = told["mean_speed"], told["lowest_group"]
    assert speed == {"value": pytest.approx(3000.0), "u": pytest.approx(9.0, rel=0.01), "unit": "1/min"}
    assert group == {"group": 2, "value": pytest.approx(3.9), "u": pytest.approx(0.02, rel=0.1), "unit": "V"}
    assert told["peak_temperature"]["value"] == pytest.approx(44.96)


def test_the_warnings_name_missing_and_suspect_readings(stored):
    """What the operator should look after, one line each; readings that were not due are not missing."""
    warnings = summarise(stored[0]).warnings
    assert "readings are missing: 1 of pack_temperature_degc, 1 of speed_rpm; " in " ".join(warnings)
    assert any(warning.startswith("1 speed reading doubled or halved") for warning in warnings)


def with_card(recording, **card):
    """Return the recording with other fields on its card."""
    document = {**recording.document, "run_card": {**recording.document["run_card"], **card}}
    return replace(recording, document=document)


def warned(recording, **card):
    return [text for text in summarise(with_card(recording, **card)).warnings if "readings" not in text]


def test_what_passes_a_limit_of_the_card_is_warned_of(stored):
    """The run has 20 A, 8 V and up to 44.96 degC: a limit that is reached is not passed."""
    recording = stored[0]
    plain = warned(recording)
    for field, within, beyond, words in (
        ("max_current_a", 20.1, 19.5, "cut 1 drew 20.0 A on average, over the 19.5 A of the card"),
        ("cutoff_v", 8.0, 8.5, "voltage fell to 8.00 V, under the cut-off of 8.5 V"),
        ("max_temperature_degc", 45.0, 44.0, "the pack reached 45.0 °C, over the 44 °C of the card"),
    ):
        assert warned(recording, **{field: within}) == plain
        assert warned(recording, **{field: beyond}) == [words, *plain]


def test_a_void_run_says_so_first_and_why(stored):
    told = summarise(with_card(stored[0], outcome="void", outcome_reason="blunt chain"))
    assert told.warnings[0] == "the run is void and does not count: blunt chain"
    assert (told.as_json()["outcome"], told.as_json()["outcome_reason"]) == ("void", "blunt chain")


def test_an_outcome_that_contradicts_the_ending_is_pointed_out(stored):
    interrupted = replace(stored[0], document={**stored[0].document, "interrupted": True})
    words = "the card says completed, but the recording was interrupted"
    assert words in warned(interrupted, outcome="completed")
    assert words not in warned(stored[0], outcome="completed")
    assert words not in warned(interrupted, outcome="tripped")


def test_amending_a_summary_is_reading_the_amended_recording_again(stored):
    """Without reading a sample: document, warnings and JSON are those of a second reading."""
    path = stored[0].path
    before = summarise(open_recording(path))
    added = Amendments(
        {"outcome": "void", "max_current_a": 19.0}, ("n",), (TypedReading("depth", 3.0, "mm"),)
    )
    amend(path, added)
    again = summarise(open_recording(path))
    amendments_of(path).unlink()
    assert before.amended_by(added) == again
    assert again.as_json()["readings"] == [
        {"t_s": None, "quantity": "depth", "value": 3.0, "unit": "mm", "resolution": None, "after": True}
    ]
    assert again.as_json()["amended"] is True
    assert before.as_json()["amended"] is False


def test_amendments_that_cannot_be_read_are_warned_of(stored):
    path = stored[0].path
    amendments_of(path).write_text("?")
    told = summarise(open_recording(path))
    amendments_of(path).unlink()
    assert any(warning.startswith("read without its amendments: ") for warning in told.warnings)
