"""A folder of results is written whole, and never over what somebody else put or changed there."""

from __future__ import annotations

from hashlib import sha256

import pytest

from retreat import own_folder
from retreat.errors import TableError
from retreat.files import write_whole
from retreat.own_folder import SUMS, check_own, place

FIRST = {"page.html": b"one", "tables/a.csv": b"1\n", "tables/b.csv": b"2\n", "old/c.csv": b"3\n"}
SECOND = {"page.html": b"two", "tables/a.csv": b"1\n"}


def held(folder):
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}


def test_a_new_folder_holds_the_files_and_their_checksums(tmp_path):
    home = tmp_path / "a" / "out"
    written = place(home, FIRST)
    assert held(home) == {*FIRST, SUMS}
    assert [path.relative_to(home).as_posix() for path in written] == [*FIRST, SUMS]
    lines = (home / SUMS).read_text().splitlines()
    assert lines == sorted(
        (f"{sha256(content).hexdigest()}  {name}" for name, content in FIRST.items()),
        key=lambda line: line.split("  ")[1],
    )


def test_unchanged_files_of_an_earlier_run_are_replaced_and_the_rest_of_them_removed(tmp_path):
    place(tmp_path, FIRST)
    (tmp_path / "tables" / "b.csv").unlink()  # what is gone is in nobody's way
    place(tmp_path, SECOND)
    assert held(tmp_path) == {*SECOND, SUMS}
    assert (tmp_path / "page.html").read_bytes() == b"two"
    assert not (tmp_path / "old").exists()


@pytest.mark.parametrize(
    ("name", "content", "told"),
    [
        ("page.html", b"edited", "was changed since it was written"),
        ("notes.txt", b"mine", "is no file of an earlier run"),
        ("tables/mine.csv", b"mine", "is no file of an earlier run"),
    ],
)
def test_a_changed_or_foreign_file_is_refused_by_name_and_everything_stays(tmp_path, name, content, told):
    place(tmp_path, FIRST)
    (tmp_path / name).write_bytes(content)
    before = {name: (tmp_path / name).read_bytes() for name in held(tmp_path)}
    with pytest.raises(TableError, match=told) as refused:
        place(tmp_path, SECOND)
    assert f"{name} {told}" in str(refused.value)
    assert "another folder" in str(refused.value)
    assert {name: (tmp_path / name).read_bytes() for name in held(tmp_path)} == before


def test_a_folder_that_no_run_wrote_is_refused_and_an_empty_one_is_not(tmp_path):
    check_own(tmp_path)
    (tmp_path / "study.html").write_text("foreign")
    with pytest.raises(TableError, match=r"study\.html is no file of an earlier run"):
        check_own(tmp_path)


def test_checksums_may_have_another_name_and_each_name_stands_for_runs_of_its_own(tmp_path):
    written = place(tmp_path, FIRST, sums="size.sha256")
    assert held(tmp_path) == {*FIRST, "size.sha256"}
    assert written[-1] == tmp_path / "size.sha256"
    check_own(tmp_path, sums="size.sha256")
    with pytest.raises(TableError, match="is no file of an earlier run"):
        check_own(tmp_path)
    place(tmp_path, SECOND, sums="size.sha256")
    assert held(tmp_path) == {*SECOND, "size.sha256"}


LEFT = (".DS_Store", "~$page.docx", "Thumbs.db", "tables/.DS_Store", "old/Thumbs.db", ".trash/a.csv")


def test_what_file_managers_leave_behind_is_neither_judged_nor_removed(tmp_path):
    place(tmp_path, FIRST)
    (tmp_path / ".trash").mkdir()
    for name in LEFT:
        (tmp_path / name).write_bytes(b"left")
    # checksums that somebody wrote do not make it the run's own
    with (tmp_path / SUMS).open("a") as stream:
        stream.writelines(f"{sha256(b'left').hexdigest()}  {name}\n" for name in LEFT)
    place(tmp_path, SECOND)
    assert held(tmp_path) == {*SECOND, SUMS, *LEFT}
    assert {(tmp_path / name).read_bytes() for name in LEFT} == {b"left"}


@pytest.mark.parametrize("name", ["thumbs.txt", "a~$.csv", "tables/a.", "Thumbs.db.csv"])
def test_names_that_only_resemble_those_are_judged(tmp_path, name):
    place(tmp_path, FIRST)
    (tmp_path / name).write_bytes(b"mine")
    with pytest.raises(TableError, match="is no file of an earlier run"):
        check_own(tmp_path)


def test_links_are_never_followed(tmp_path):
    home, other = tmp_path / "out", tmp_path / "other"
    place(home, FIRST)
    other.mkdir()
    (other / "page.html").write_bytes(b"one")
    (home / "page.html").unlink()
    (home / "page.html").symlink_to(other / "page.html")
    with pytest.raises(TableError, match="no file of an earlier run"):
        check_own(home)


def test_an_input_in_the_folder_is_refused(tmp_path):
    place(tmp_path, FIRST)
    with pytest.raises(TableError, match="read as CASES"):
        check_own(tmp_path, {"CASES": tmp_path / "tables" / "a.csv"})
    check_own(tmp_path / "out", {"CASES": tmp_path / "tables" / "a.csv"})


def test_checksums_never_lead_out_of_the_folder(tmp_path):
    home, outside = tmp_path / "out", tmp_path / "outside.txt"
    outside.write_text("mine")
    home.mkdir()
    (home / SUMS).write_text(f"{sha256(b'mine').hexdigest()}  ../outside.txt\n")
    place(home, FIRST)
    assert outside.read_text() == "mine"


def test_a_run_that_is_broken_off_leaves_a_folder_that_the_next_may_write(tmp_path, monkeypatch):
    place(tmp_path, FIRST)
    calls = []

    def broken(path, content):
        calls.append(path)
        if len(calls) == 3:
            raise KeyboardInterrupt
        write_whole(path, content)

    monkeypatch.setattr(own_folder, "write_whole", broken)
    with pytest.raises(KeyboardInterrupt):
        place(tmp_path, SECOND)
    monkeypatch.undo()
    assert (tmp_path / "page.html").read_bytes() == b"two"
    place(tmp_path, FIRST)
    assert held(tmp_path) == {*FIRST, SUMS}
