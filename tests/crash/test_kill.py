"""The process is killed in mid-run, for real: what reached the journal is recovered, to the sample."""

import json
import os
import signal
import struct
import subprocess
import sys
import time
import zlib

import cobs.cobs
import polars as pl
import pytest

SAGLINE = [sys.executable, "-m", "tui.command_line"]


def start_demo(folder, *options):
    command = [*SAGLINE, "demo", "--headless", "--out", str(folder), "--json", *options]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)


def wait_for_journal(folder, size, patience_s=30.0):
    give_up = time.monotonic() + patience_s
    while time.monotonic() < give_up:
        for journal in folder.glob("*.journal"):
            if journal.stat().st_size > size:
                return journal
        time.sleep(0.02)
    raise AssertionError("no journal grew")


def journalled_samples(journal):
    """Count the samples in a journal without the project's code: own record walk, the cobs package, zlib."""
    content, received, at = journal.read_bytes(), b"", 8
    head = struct.Struct("<4sIBq")
    while at + head.size <= len(content):
        marker, length, kind, _ = head.unpack_from(content, at)
        end = at + head.size + length
        if marker != b"\xa5\xc3\x5a\x3c" or end + 4 > len(content):
            break
        assert zlib.crc32(content[at + 4 : end]) == struct.unpack_from("<I", content, end)[0]
        received += content[at + head.size : end] if kind == 2 else b""
        at = end + 4
    frames = [cobs.cobs.decode(part) for part in received.split(b"\0")[:-1] if part]
    return sum(frame[10] for frame in frames if frame[0] == 0x84)


@pytest.mark.parametrize("options", [["--serial"], ["--speed", "40"]], ids=["serial", "in memory, fast"])
def test_kill_and_recover(tmp_path, options):
    """kill -9, then recover: every journalled sample is there, none invented; the file says interrupted."""
    process = start_demo(tmp_path, *options)
    wait_for_journal(tmp_path, 8_000)
    os.kill(process.pid, signal.SIGKILL)
    process.communicate()
    (journal,) = tmp_path.glob("*.journal")
    expected = journalled_samples(journal)
    assert expected > 300
    done = subprocess.run(
        [*SAGLINE, "recover", str(tmp_path), "--json"], capture_output=True, check=True, timeout=60
    )
    (recovered,) = json.loads(done.stdout)["recovered"]
    assert (recovered["samples"], recovered["lost_samples"]) == (expected, 0)
    frame = pl.read_parquet(recovered["recording"])
    assert len(frame) == expected
    assert frame["tick_us"].diff().drop_nulls().unique().to_list() == [2000]
    assert sorted(path.suffix for path in tmp_path.iterdir()) == [".parquet"]
    summary = subprocess.run(
        [*SAGLINE, "summary", recovered["recording"], "--json"], capture_output=True, check=True, timeout=60
    )
    told = json.loads(summary.stdout)
    assert told["interrupted"]
    assert any("interrupted" in warning for warning in told["warnings"])


def test_the_next_start_recovers_by_itself(tmp_path):
    """Whoever just records again finds the interrupted run finished beside the new one."""
    process = start_demo(tmp_path, "--speed", "20")
    wait_for_journal(tmp_path, 8_000)
    process.kill()
    process.communicate()
    again = subprocess.run(
        [*SAGLINE, "demo", "--headless", "--seconds", "2", "--speed", "50", "--out", str(tmp_path)],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    assert "recovered an interrupted recording" in again.stderr
    assert len(list(tmp_path.glob("*.parquet"))) == 2
    assert list(tmp_path.glob("*.journal")) == []


def test_recover_leaves_a_running_recording_alone(tmp_path):
    """While another process records into the folder, recover passes over it and its run ends well."""
    process = start_demo(tmp_path, "--seconds", "60", "--speed", "10")
    wait_for_journal(tmp_path, 8_000)
    during = subprocess.run(
        [*SAGLINE, "recover", str(tmp_path), "--json"], capture_output=True, check=True, timeout=60
    )
    assert json.loads(during.stdout) == {"recovered": []}
    stdout, _ = process.communicate(timeout=60)
    assert json.loads(stdout)["samples"] == 30_000


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP], ids=["INT", "TERM", "HUP"])
def test_signals_end_a_run_well(tmp_path, number):
    """Ctrl-C, a shutdown and a closed terminal are normal stops: the file is sealed, the status is 0."""
    process = start_demo(tmp_path, "--speed", "10")
    wait_for_journal(tmp_path, 8_000)
    process.send_signal(number)
    stdout, _ = process.communicate(timeout=30)
    assert process.returncode == 0
    told = json.loads(stdout)
    assert len(pl.read_parquet(told["recording"])) == told["samples"] > 300
    assert list(tmp_path.glob("*.journal")) == []
