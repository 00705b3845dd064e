"""What the lines and tiles say of a snapshot, apart from any screen."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.engine.snapshot import (
    ChannelFace,
    LinkState,
    LinkStatus,
    RecordingState,
    RecordingStatus,
)
from capture.folds.speed import SpeedState
from capture.pack_limits import Alarm, AlarmKind
from capture.run_card import RunCard
from tui.screens.advice import advice
from tui.screens.room import room_for
from tui.screens.shown_figures import last_cut_pieces, other_channels, tiles_of
from tui.themes import THEMES
from tui.widgets.chart_picture import GAP_SIGN
from tui.widgets.pieces import Piece, Shrink, line_of
from tui.widgets.state_words import FROZEN, LINK_WORDS, RECORDING_WORDS
from tui.widgets.status_line import alarm_pieces, link_pieces, recording_pieces


def texts(pieces):
    return [piece.text.strip() for piece in pieces]


def test_every_state_has_a_word_of_its_own_on_each_line():
    assert set(LINK_WORDS) == set(LinkState)
    assert set(RECORDING_WORDS) == set(RecordingState)
    for table in (LINK_WORDS, RECORDING_WORDS):
        assert (
            len({word.word for word in table.values()})
            == len({word.shape for word in table.values()})
            == len(table)
        )
    assert FROZEN.word == "FROZEN"


def test_the_link_line_counts_what_was_lost_and_warns_by_a_sign():
    link = LinkStatus(LinkState.STREAMING, "sim:polesaw", "wren logger", rate_hz=512.0, lost_samples=1234)
    assert texts(link_pieces(link, frozen=False)) == [
        "● STREAMING",
        f"{GAP_SIGN} GAP 1,234",
        "wren logger",
        "512 Hz",
        "recovered 0",
    ]


def test_the_link_line_says_what_the_logger_keeps():
    link = LinkStatus(LinkState.STREAMING, "sim:polesaw", rate_hz=500.0, ring_s=4.096, rejected_frames=3)
    assert texts(link_pieces(link, frozen=False))[2:] == [
        "500 Hz",
        "lost 0",
        "recovered 0",
        "ring 4.1 s",
        "! rejected 3",
    ]
    assert texts(link_pieces(replace(link, ring_s=0.0), frozen=False))[-2] == "! no ring"


def test_the_link_line_says_for_how_long_nothing_came():
    link = LinkStatus(LinkState.SILENT, "sim:polesaw", silent_s=4.9)
    assert texts(link_pieces(link, frozen=True))[:3] == ["◐ SILENT 0:04", "‖ FROZEN", "sim:polesaw"]


def test_a_message_takes_the_place_of_the_name():
    link = LinkStatus(LinkState.FAILED, "serial:/dev/ttyACM0", message="nothing is there")
    assert texts(link_pieces(link, frozen=False)) == ["▲ FAILED", "nothing is there"]


@pytest.mark.parametrize(
    ("state", "streaming", "expected"),
    [
        (RecordingState.OFF, True, ["□ NOT RECORDING", "r records, a arms"]),
        (RecordingState.OFF, False, ["□ NOT RECORDING"]),
        (RecordingState.RUNNING, True, ["■ RECORDING 0:09", "writer ok", "0 marks"]),
        (RecordingState.SAVING, True, ["▼ SAVING"]),
        (RecordingState.SAVED, True, ["✓ SAVED", "r records, a arms"]),
        (RecordingState.INTERRUPTED, False, ["▲ INTERRUPTED"]),
    ],
)
def test_the_recording_line_says_what_can_be_done(state, streaming, expected):
    assert texts(recording_pieces(RecordingStatus(state), 9.0, streaming=streaming)) == expected


def test_arming_and_the_end_that_is_near_are_told():
    armed = RecordingStatus(RecordingState.OFF, armed=True)
    told = texts(recording_pieces(armed, 0.0, streaming=True))
    assert told == ["□ NOT RECORDING", "◇ ARMED", "a load starts it, or r"]
    ending = RecordingStatus(RecordingState.RUNNING, armed=True, ends_in_s=41.6)
    assert texts(recording_pieces(ending, 9.0, streaming=True))[:2] == ["■ RECORDING 0:09", "ends in 42 s"]


def test_an_alarm_says_what_the_limit_is_and_what_to_do():
    hot = Alarm(AlarmKind.TEMPERATURE_HIGH, "pack_temperature", 71.26, 70.0, "Cel")
    low = Alarm(AlarmKind.GROUP_LOW, "group_3", 2.714, 2.8, "V")
    assert texts(alarm_pieces([hot, low], seen=False)) == [
        "▲▲ PACK HOT 71.3 °C, limit 70.0",
        "stop and let it cool; x: seen",
        "▲▲ VOLTAGE LOW group 3 2.71 V, limit 2.80",
    ]
    assert texts(alarm_pieces([hot], seen=True))[1] == "stop and let it cool"
    assert alarm_pieces([], seen=False) == []


def test_a_full_disk_and_a_slow_one_are_told():
    status = RecordingStatus(RecordingState.RUNNING, waiting_fraction=0.5, disk_minutes_left=4.0)
    assert "! writer behind, 50% waiting" in texts(recording_pieces(status, 0.0, streaming=True))
    assert "! disk 4 min" in texts(recording_pieces(status, 0.0, streaming=True))


def test_a_line_drops_pieces_from_the_right_and_shortens_names_in_the_middle():
    pieces = [Piece("STATE"), Piece("heron-and-a-long-name.parquet", shrink=Shrink.MIDDLE), Piece("disk 9 h")]
    assert line_of(pieces, 60).plain == "STATE  heron-and-a-long-name.parquet  disk 9 h"
    assert line_of(pieces, 34).plain == "STATE  heron-an….parquet  disk 9 h"
    assert line_of(pieces, 22).plain == "STATE  heron-a…parquet"
    assert line_of(pieces, 3).plain == "ST…"
    assert line_of([Piece("one two three", shrink=Shrink.END)], 8).plain == "one two…"
    assert line_of([], 10).plain == ""


def test_a_message_is_read_to_its_end_before_counts_are():
    pieces = [
        Piece("LOST"),
        Piece("the logger went away", shrink=Shrink.END),
        Piece("lost 12"),
        Piece("rejected 0"),
    ]
    assert line_of(pieces, 38).plain == "LOST  the logger went away  lost 12"
    assert line_of(pieces, 27).plain == "LOST  the logger went away"
    assert line_of(pieces, 20).plain == "LOST  the logger we…"
    assert line_of(pieces, 10).plain == "LOST"


@pytest.mark.parametrize("width", range(1, 60))
def test_a_line_is_never_wider_than_its_room(width):
    pieces = [Piece("鋸 STATE"), Piece("鋸鋸鋸鋸鋸鋸鋸鋸.parquet", shrink=Shrink.MIDDLE), Piece("disk 9 h")]
    assert line_of(pieces, width).cell_length <= width


def test_sag_is_rest_voltage_minus_the_voltage_now(moments):
    tiles = tiles_of(moments["recording"])
    assert [detail.value for detail in tiles["voltage"].details] == ["3.18 V", "33.98 V", "5.62 V"]
    assert tiles["power"].digits == "1148"
    measured = replace(moments["recording"], latest={"power_w": 900.0})
    assert tiles_of(measured)["power"].digits == "900"


def test_what_is_missing_is_a_dash(moments):
    tiles = tiles_of(moments["connecting"])
    assert list(tiles) == ["voltage", "current", "power", "energy"]
    for tile in tiles.values():
        assert tile.digits == "—"
        assert all(detail.value.startswith("—") for detail in tile.details)
        assert not tile.stale


def test_cuts_are_shown_only_where_they_can_be_told(moments):
    now = moments["recording"]
    without = replace(now, figures=replace(now.figures, cuts=None))
    assert "cuts" in [detail.name for detail in tiles_of(now)["power"].details]
    assert "cuts" not in [detail.name for detail in tiles_of(without)["power"].details]


def test_values_of_a_silent_link_are_called_stale(moments):
    link = replace(moments["recording"].link, state=LinkState.SILENT, silent_s=4.3)
    tiles = tiles_of(replace(moments["recording"], link=link))
    assert tiles["voltage"].stale == tiles["power"].stale == "stale 0:04"
    assert not tiles["energy"].stale


def test_channels_without_a_tile_have_a_line(moments):
    assert texts(other_channels(moments["recording"])) == ["pack temperature 41.3 °C"]


def test_every_empty_chart_says_what_to_do_and_defers_to_the_codes():
    for state in LinkState:
        words = advice(LinkStatus(state, "sim:polesaw", message="one line"))
        assert "Local codes" in words
        assert len(words.split("\n\n")) == 3


@pytest.mark.parametrize(
    ("size", "wanted", "columns", "tiles", "rows", "details"),
    [
        ((80, 24), 4, 4, 4, 3, 3),
        ((80, 24), 7, 4, 7, 3, 0),
        ((120, 40), 4, 4, 4, 5, 3),
        ((120, 40), 7, 4, 7, 5, 1),
        ((200, 60), 8, 4, 8, 8, 3),
        ((60, 24), 7, 3, 6, 3, 0),
        ((40, 12), 7, 2, 2, 3, 0),
        ((20, 20), 7, 1, 2, 3, 0),
    ],
)
def test_a_small_terminal_gives_up_panels_before_digits(size, wanted, columns, tiles, rows, details):
    room = room_for(*size, wanted)
    assert (room.columns, room.tiles, room.digits.rows, room.details) == (columns, tiles, rows, details)


@given(width=st.integers(1, 300), height=st.integers(1, 100), wanted=st.integers(4, 8))
def test_larger_terminals_never_show_fewer_figures(width, height, wanted):
    """Half the height at most is for the figures; one more column or row takes none away."""
    room = room_for(width, height, wanted)
    assert 2 <= room.tiles <= wanted
    for more in (room_for(width + 1, height, wanted), room_for(width, height + 1, wanted)):
        assert more.tiles >= room.tiles or more.cuts is not room.cuts
    if height >= 24 and width >= 20:
        tile_rows = -(-room.tiles // room.columns)
        assert tile_rows * (1 + room.digits.rows + room.details) <= height / 2


def test_tiles_stand_for_what_the_logger_has_and_the_card_knows(moments):
    now = moments["recording"]
    assert list(tiles_of(now)) == ["voltage", "current", "power", "energy", "speed", "force", "remaining"]
    assert tiles_of(now)["remaining"].digits == "4:12"
    assert tiles_of(now)["remaining"].details[0].value == "3:20\N{EN DASH}5:41"
    bare = replace(now, channels=now.channels[:2], card=RunCard())
    assert list(tiles_of(bare)) == ["voltage", "current", "power", "energy"]


def test_a_speed_without_pulses_is_a_bound_and_never_the_last_reading(moments):
    now = moments["recording"]
    silent = replace(now.figures.speed, how=SpeedState.NO_PULSE, now=None, at_most=312.4)
    tile = tiles_of(replace(now, figures=replace(now.figures, speed=silent)))["speed"]
    assert (tile.digits, tile.stale) == ("—", "no pulse, at most 312")


def test_the_last_cut_has_a_line(moments):
    assert texts(last_cut_pieces(moments["recording"].figures)) == [
        "cut 12",
        "8.9 s",
        "2.61 Wh",
        "1056 W",
        "sag 4.81 V",
        "3987 rpm",
    ]
    assert "no cut yet" in texts(last_cut_pieces(None))[0]
    assert (
        "no cut yet"
        in texts(last_cut_pieces(replace(moments["recording"].figures, cut_records=(), latest_cut=None)))[0]
    )


def luminance(colour):
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("theme", THEMES, ids=lambda theme: theme.name)
def test_every_quantity_stands_out_from_the_ground_by_seven_to_one(theme):
    """The contrast of WCAG 2.2, level AAA."""
    ground = luminance(theme.background)
    colours = [colour for name, colour in theme.variables.items() if name.startswith("quantity-")]
    colours += [theme.foreground, theme.warning, theme.error, theme.success]
    for colour in colours:
        lighter, darker = sorted((luminance(colour), ground), reverse=True)
        assert (lighter + 0.05) / (darker + 0.05) >= 7.0, colour
    shade = luminance(theme.variables["shade"])
    for colour in colours:
        lighter, darker = sorted((luminance(colour), shade), reverse=True)
        assert (lighter + 0.05) / (darker + 0.05) >= 4.5, f"{colour} where a cut is shaded"


def test_what_waits_is_called_provisional(moments):
    """While samples are missing the figures of the moment, and the status line, say that they run ahead."""
    now = moments["recording"]
    waiting = replace(now, link=replace(now.link, missing_samples=640, recovered_samples=3))
    assert tiles_of(waiting)["voltage"].stale == "provisional"
    assert tiles_of(now)["voltage"].stale == ""
    told = texts(link_pieces(waiting.link, frozen=False))
    assert "↻ RECOVERING 640" in told
    assert "recovered 3" in told


def test_of_many_groups_the_lowest_is_shown(moments):
    """Ten voltages are too many to read at arm's length: the one that ends the run is named."""
    faces = tuple(ChannelFace(f"group_{number}_v", f"group_{number}", "V") for number in (1, 2, 10))
    latest = {"group_1_v": 3.61, "group_2_v": 3.402, "group_10_v": None}
    now = replace(moments["recording"], channels=faces, latest=latest)
    assert texts(other_channels(now)) == ["lowest group 2 3.40 V"]
