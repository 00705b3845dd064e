"""A CSV becomes a recording: whatever way it is written, and with what is wrong said in a line."""

import json

import numpy as np
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.blocks import Quality
from capture.errors import DiskFull, InputError
from capture.importing.csv_import import ImportOptions, import_csv
from capture.importing.headers import read_header
from capture.run_card import RunCard
from capture.storage.recording import open_recording
from capture.summary import summarise


@pytest.fixture
def imported(tmp_path):
    def run(text, **options):
        source, target = tmp_path / "theirs.csv", tmp_path / f"ours{len(list(tmp_path.iterdir()))}.parquet"
        source.write_bytes(text if isinstance(text, bytes) else text.encode())
        made = import_csv(source, target, ImportOptions(**options))
        return made, open_recording(made.recording)

    return run


def columns_of(recording):
    table = pq.read_table(recording.path)
    return {name: table.column(name).to_pylist() for name in table.column_names}


def test_our_own_names_and_all_that_a_recording_needs(imported):
    made, recording = imported(
        "t_s,current_a,voltage_v\n10,1,20\n10.002,2,19.5\n10.004,,19.0\n", card=RunCard(pack="wren")
    )
    columns = columns_of(recording)
    assert columns["tick_us"] == [0, 2000, 4000]
    assert columns["current_a"] == [1.0, 2.0, None]
    assert columns["voltage_v"] == [20.0, 19.5, 19.0]
    assert made.samples == 3
    assert summarise(recording).card.pack == "wren"
    assert recording.document["logger"]["interval_ns"] == 2_000_000


@pytest.mark.parametrize(
    "text",
    [
        "Time (ms);I [mA];Pack voltage / V\n0;1500,5;20,1\n2;NA;20\n4;-2;19,9\n",
        "Time (ms)\tI [mA]\tPack voltage / V\n0\t1500.5\t20.1\n2\t\t20\n4\t-2\t19.9\n",
        "\ufeffTime (ms),I [mA],Pack voltage / V\r\n0,1500.5,20.1\r\n2,NaN,20\r\n4,-2,19.9\r\n",
        """# rig 3

"Time (ms)","I [mA]","Pack voltage / V"
"0","1500.5","20.1"
# knocked
"2","null","20"
"4","-2","19.9"
""",
        "Time in s,I in A,Pack voltage in V\n0,1.5005,20.1\n0.002, - ,20\n0.004,-0.002,19.9\n",
    ],
    ids=["decimal comma", "tabs", "mark and carriage returns", "comments and quotes", "words"],
)
def test_however_it_is_written_it_says_the_same(imported, text):
    _, recording = imported(text, mapping={next(h for h in _headers(text) if "Pack" in h): "voltage_v"})
    columns = columns_of(recording)
    assert columns["tick_us"] == [0, 2000, 4000]
    assert columns["current_a"] == [pytest.approx(1.5005), None, pytest.approx(-0.002)]
    assert columns["voltage_v"] == [20.1, 20.0, 19.9]


def _headers(text):
    line = next(line for line in text.splitlines() if "Pack" in line)
    return [field.strip('"\ufeff') for field in line.replace("\t", ",").replace(";", ",").split(",")]


def test_dates_say_when_the_run_began(imported):
    _, recording = imported(
        "timestamp,current_a\n2026-05-31 14:03:07.250,1\n2026-05-31 14:03:07.35,2\n2026-05-31T14:03:07.45,2\n"
    )
    assert recording.document["opened"].startswith("2026-05-31T14:03:07.250")
    assert columns_of(recording)["tick_us"] == [0, 100_000, 200_000]


def test_unix_times_in_milliseconds(imported):
    _, recording = imported("time,current_a\n1780236187250,1\n1780236187260,2\n")
    assert recording.document["opened"].startswith("2026-05-31T14:03:07.250")
    assert columns_of(recording)["tick_us"] == [0, 10_000]


def test_a_hole_is_a_gap_and_carries_no_charge(imported):
    rows = [f"{t / 100:.2f},3600,10" for t in [*range(11), *range(1010, 1021)]]
    _, recording = imported("t_s,current_a,voltage_v\n" + "\n".join(rows) + "\n")
    assert [(gap["start_s"], gap["end_s"]) for gap in recording.document["gaps"]] == [(0.1, 10.1)]
    assert recording.document["lost_samples"] == 999
    summary = summarise(recording)
    assert summary.figures.charge.value == pytest.approx(0.2)
    assert summary.figures.energy.value == pytest.approx(2.0)


def test_few_missing_rows_are_bridged_as_in_a_live_run(imported):
    rows = [f"{t / 100:.2f},3600,10" for t in [*range(11), 12, *range(14, 21)]]
    _, recording = imported("t_s,current_a,voltage_v\n" + "\n".join(rows) + "\n")
    assert recording.document["gaps"] == []
    assert summarise(recording).figures.charge.value == pytest.approx(0.2)


def test_a_slower_column_is_due_every_nth_row(imported):
    rows = [f"{t / 100:.2f},1,{50 + t if t % 5 == 2 else ''}" for t in range(100)]
    _, recording = imported("t_s,current_a,force_n\n" + "\n".join(rows) + "\n")
    assert recording.divisors == {"current_a": 1, "force_n": 5}
    figures = summarise(recording).figures
    assert figures.accounting.missing == {"current_a": 0, "force_n": 0}
    assert figures.channels["force_n"].mean == pytest.approx((52 + 147) / 2)


def test_a_clock_that_begins_anew_is_a_restart(imported):
    _, recording = imported("t_s,current_a\n0,1\n0.1,1\n0.2,1\n0.3,1\n0,2\n0.1,2\n")
    columns = columns_of(recording)
    assert columns["tick_us"] == [0, 100_000, 200_000, 300_000, 400_000, 500_000]
    assert columns["quality"][4] & Quality.AFTER_RESTART
    assert [stretch[0] for stretch in recording.document["stretches"]] == [0, 1]


def test_a_negative_discharge_is_turned_round(imported):
    _, recording = imported("t_s,current_a\n0,-1\n0.1,-2\n", discharge_negative=True)
    assert columns_of(recording)["current_a"] == [1.0, 2.0]


def test_evenly_spaced_rows_without_times(imported):
    _, recording = imported("current_a,voltage_v\n1,20\n2,20\n3,20\n", interval_s=0.5)
    assert columns_of(recording)["tick_us"] == [0, 500_000, 1_000_000]


def test_the_last_row_of_a_pulled_cable_is_left_out(imported):
    made, _ = imported("t_s,current_a,voltage_v\n0,1,20\n1,1,20\n2,1")
    assert made.samples == 2
    assert made.remarks == ("the last row was cut short and is left out",)


@pytest.mark.parametrize(
    ("text", "options", "words"),
    [
        ("", {}, "is empty"),
        ("1,2\n3,4\n", {}, "no line of headers"),
        ("a,b\n1,2\n", {}, "no column of times"),
        ("t_s,foo\n1,2\n2,3\n", {}, "no column that is known: 't_s', 'foo'"),
        ("t_s,current_a\n1,2\n", {}, "fewer than two samples"),
        ("t_s,current_a\n", {}, "fewer than two samples"),
        ("t_s,current_a\n1,2\n1,3\n", {}, "the same time in rows 1 and 2"),
        ("t_s,current_a\n11,2\n10,3\n", {}, "goes back in time by 1 s in row 2"),
        ("t_s,current_a\n1,2\n2,x1\n", {}, "'x1' in row 2 of 'current_a'"),
        ("t_s,current_a\n1,2\n,3\n", {}, "no time in row 2"),
        ("t_s,current_a\n1,2\n2\n3,4\n", {}, "a row with 1 fields where its header has 2"),
        ("t_s,current_a\n1,2\n2,3\n", {"mapping": {"amps": "current_a"}}, "no column 'amps'"),
        ("t_s,I\n1,2\n2,3\n", {"mapping": {"I": "current"}}, "cannot have a column 'current'"),
        (
            "t_s,I [mA]\n1,2\n2,3\n",
            {"mapping": {"I [mA]": "voltage_v"}},
            "in A, which cannot become voltage_v",
        ),
        ("t_s,current_a,amps\n1,2,2\n2,3,2\n", {"mapping": {"amps": "current_a"}}, "has current_a twice"),
        (b"\x00\x01\x02", {}, "is no text"),
    ],
)
def test_what_is_wrong_is_said_in_a_line_and_leaves_nothing(imported, tmp_path, text, options, words):
    with pytest.raises(InputError) as caught:
        imported(text, **options)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)
    assert [path.name for path in tmp_path.iterdir()] == ["theirs.csv"]


def test_a_folder_that_cannot_be_written(tmp_path):
    source = tmp_path / "theirs.csv"
    source.write_text("t_s,current_a\n1,2\n2,3\n")
    with pytest.raises(DiskFull, match="cannot be written"):
        import_csv(source, tmp_path / "nowhere" / "ours.parquet", ImportOptions())


@given(st.text(max_size=30).filter(lambda header: header.strip() != "t_s"))
def test_any_header_is_read_or_left_out(header):
    found = read_header([header, "t_s"], {}, "a table")
    assert len(found.taken) + len(found.left_out) == 2
    assert found.time == 1


@given(
    st.lists(
        st.tuples(st.integers(1, 3000), st.floats(-1e3, 1e3), st.one_of(st.none(), st.floats(0, 100))),
        min_size=2,
        max_size=40,
    ),
    st.sampled_from([(",", "."), (";", ","), ("\t", "."), (";", ".")]),
)
def test_any_table_reads_back_as_it_was_written(tmp_path_factory, rows, signs):
    delimiter, decimal = signs
    folder = tmp_path_factory.mktemp("tables")
    times = np.cumsum([step for step, _, _ in rows])
    lines = [delimiter.join(["t [ms]", "current_a", "Voltage (V)"])]
    for at, (_, current, voltage) in zip(times, rows, strict=True):
        fields = [str(at), repr(current), "" if voltage is None else repr(voltage)]
        lines.append(delimiter.join(fields).replace(".", decimal))
    (folder / "theirs.csv").write_text("\n".join(lines) + "\n")
    made = import_csv(folder / "theirs.csv", folder / "ours.parquet", ImportOptions())
    columns = columns_of(open_recording(made.recording))
    assert columns["tick_us"] == ((times - times[0]) * 1000).tolist()
    assert columns["current_a"] == [current for _, current, _ in rows]
    if any(voltage is not None for _, _, voltage in rows):
        assert columns["voltage_v"] == [voltage for _, _, voltage in rows]
    assert json.dumps(summarise(open_recording(made.recording)).as_json(), allow_nan=False)
