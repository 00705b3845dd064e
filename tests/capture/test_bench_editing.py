"""Writing into the bench file: what a person wrote stays, and no failure costs any of it."""

import os
import stat
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.bench import read_bench
from capture.bench_editing import BenchEditor
from capture.errors import DiskFull, InputError, RecordingInUse

BENCH = """# my bench, mind the order

[packs.heron]   # the good one
series = 10      # groups
capacity_ah = 5.0


[tools.polesaw]
kind = "saw"
"""


@pytest.fixture
def bench(tmp_path):
    path = tmp_path / "bench.toml"
    path.write_text(BENCH)
    return path


def edited(path):
    editor = BenchEditor(path)
    editor.put(("packs", "heron"), {"max_current_a": 60.0})
    return editor


def names_in(folder):
    return sorted(one.name for one in folder.iterdir())


def test_comments_order_and_blank_lines_stay(bench):
    edited(bench).write()
    assert bench.read_text() == BENCH.replace(
        "capacity_ah = 5.0\n", "capacity_ah = 5.0\nmax_current_a = 60.0\n", 1
    )
    assert read_bench(bench).packs["heron"].max_current_a == 60.0
    assert names_in(bench.parent) == ["bench.toml"]


@pytest.mark.parametrize("mode", [0o600, 0o640, 0o664])
def test_the_file_keeps_its_permissions(bench, mode):
    bench.chmod(mode)
    edited(bench).write()
    assert stat.S_IMODE(bench.stat().st_mode) == mode


def test_a_new_file_has_the_usual_permissions(tmp_path):
    before = os.umask(0o027)
    try:
        edited(tmp_path / "new" / "bench.toml").write()
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "new" / "bench.toml").stat().st_mode) == 0o640


def test_a_link_is_followed(bench, tmp_path):
    """Somebody keeps the file under version control elsewhere: that one is changed, the link stays."""
    folder = tmp_path / "work"
    folder.mkdir()
    link = folder / "bench.toml"
    link.symlink_to(bench)
    edited(link).write()
    assert link.is_symlink()
    assert "max_current_a" in bench.read_text()
    assert names_in(folder) == ["bench.toml"]


def test_a_link_to_a_file_that_is_not_there_yet_is_followed_too(tmp_path):
    link = tmp_path / "bench.toml"
    link.symlink_to(tmp_path / "elsewhere" / "mine.toml")
    edited(link).write()
    assert link.is_symlink()
    assert (tmp_path / "elsewhere" / "mine.toml").exists()


def test_whoever_writes_while_it_is_being_written_is_not_overwritten(bench, monkeypatch):
    """Between the first look and the replacement somebody saves the file in an editor."""
    editor, sync = edited(bench), os.fsync

    def saved_meanwhile(descriptor):
        bench.write_text("# somebody else\n")
        sync(descriptor)

    monkeypatch.setattr(os, "fsync", saved_meanwhile)
    with pytest.raises(RecordingInUse, match="was changed"):
        editor.write()
    assert bench.read_text() == "# somebody else\n"
    assert names_in(bench.parent) == ["bench.toml"]


@pytest.mark.parametrize("fails_in", ["open", "replace"])
def test_a_failure_leaves_the_file_as_it_was_and_nothing_beside_it(bench, monkeypatch, fails_in):
    editor = edited(bench)
    real = getattr(Path, fails_in)

    def failing(self, *arguments, **options):
        if self.name.endswith(".partial"):
            raise OSError(28, "No space left on device")
        return real(self, *arguments, **options)

    monkeypatch.setattr(Path, fails_in, failing)
    with pytest.raises(DiskFull, match="No space left") as told:
        editor.write()
    assert str(bench) in str(told.value)
    assert bench.read_text() == BENCH
    assert names_in(bench.parent) == ["bench.toml"]


def test_a_folder_that_takes_no_file_is_named(bench, monkeypatch):
    editor = edited(bench)
    monkeypatch.setattr(os, "access", lambda path, _mode: Path(path) != bench.parent)

    real = Path.open

    def refused(self, *arguments, **options):
        if self.name.endswith(".partial"):
            raise PermissionError(13, "Permission denied")
        return real(self, *arguments, **options)

    monkeypatch.setattr(Path, "open", refused)
    with pytest.raises(DiskFull) as told:
        editor.write()
    words = str(told.value)
    assert f"its folder {bench.parent} takes no new file (Permission denied)" in words
    assert "\n" not in words


@pytest.mark.skipif(os.name != "posix", reason="another system has other rights")
def test_a_write_protected_file_is_not_replaced(bench, monkeypatch):
    """The folder would let it be replaced, but whoever protected it meant that."""
    editor = edited(bench)
    monkeypatch.setattr(os, "access", lambda path, _mode: Path(path) != bench)
    with pytest.raises(DiskFull, match="write-protected"):
        editor.write()
    assert bench.read_text() == BENCH


def test_what_makes_no_bench_names_the_file_and_not_its_copy(bench):
    editor = BenchEditor(bench)
    editor.put(("packs", "heron"), {"series": -1})
    with pytest.raises(InputError, match="series") as told:
        editor.write()
    assert "partial" not in str(told.value)
    assert bench.read_text() == BENCH
    assert names_in(bench.parent) == ["bench.toml"]


@given(
    comment=st.text(st.characters(min_codepoint=32, exclude_characters="\x7f", exclude_categories=["Cs"])),
    values=st.dictionaries(
        st.sampled_from(["max_current_a", "capacity_ah", "cutoff_v_per_group"]),
        st.floats(0.1, 1e6),
        max_size=3,
    ),
)
def test_whatever_is_put_in_is_read_back_and_every_comment_stays(tmp_path_factory, comment, values):
    path = tmp_path_factory.mktemp("bench") / "bench.toml"
    path.write_text(f"# {comment}\n{BENCH}", encoding="utf-8")
    editor = BenchEditor(path)
    editor.put(("packs", "heron"), values)
    editor.write()
    assert path.read_text(encoding="utf-8").startswith(f"# {comment}\n")
    pack = read_bench(path).packs["heron"]
    assert {key: getattr(pack, key) for key in values} == values
    editor.write()  # nothing has changed since: it may write again
