"""Files changed together: what an interrupted change leaves, how it is read, and how it is finished."""

from __future__ import annotations

from pathlib import Path

import pytest

from retreat import journal
from retreat.errors import TableError
from retreat.journal import JOURNAL, Replacement, finish, read_settled, replace_together


@pytest.fixture
def files(tmp_path: Path) -> tuple[Path, Path]:
    one, two = tmp_path / "one.csv", tmp_path / "two.csv"
    one.write_bytes(b"1")
    two.write_bytes(b"2")
    return one, two


def change(files: tuple[Path, Path]) -> None:
    one, two = files
    replace_together([Replacement(one, b"1", b"10"), Replacement(two, b"2", b"20")])


@pytest.fixture
def interrupted(files: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch) -> tuple[Path, Path]:
    """Both files changed, though neither has taken its place."""
    with monkeypatch.context() as patch:
        patch.setattr(journal, "finish", lambda folder: None)
        change(files)
    assert [path.read_bytes() for path in files] == [b"1", b"2"]
    return files


def test_both_files_change_and_nothing_else_is_left(files: tuple[Path, Path]) -> None:
    change(files)
    assert [path.read_bytes() for path in files] == [b"10", b"20"]
    assert sorted(files[0].parent.iterdir()) == sorted(files)


def test_a_file_that_holds_something_else_stops_the_change(files: tuple[Path, Path]) -> None:
    files[1].write_bytes(b"3")
    with pytest.raises(TableError, match="changed by another program in this very moment"):
        change(files)
    assert [path.read_bytes() for path in files] == [b"1", b"3"]
    assert sorted(files[0].parent.iterdir()) == sorted(files)


def test_an_interrupted_change_is_read_as_made_and_then_finished(interrupted: tuple[Path, Path]) -> None:
    assert [read_settled(path) for path in interrupted] == [b"10", b"20"]
    assert [path.read_bytes() for path in interrupted] == [b"1", b"2"]
    finish(interrupted[0].parent)
    assert [path.read_bytes() for path in interrupted] == [b"10", b"20"]
    assert sorted(interrupted[0].parent.iterdir()) == sorted(interrupted)


def test_what_was_changed_by_hand_meanwhile_is_not_overwritten(interrupted: tuple[Path, Path]) -> None:
    interrupted[1].write_bytes(b"by hand")
    assert read_settled(interrupted[1]) == b"by hand"
    with pytest.raises(TableError, match="changed by hand while a change of it was unfinished") as error:
        finish(interrupted[0].parent)
    assert ".two.csv.staged" in error.value.faults[0].fix
    assert [path.read_bytes() for path in interrupted] == [b"1", b"by hand"]


def test_a_damaged_new_content_is_not_put_in_place(interrupted: tuple[Path, Path]) -> None:
    interrupted[0].with_name(".one.csv.staged").write_bytes(b"half")
    with pytest.raises(TableError, match="is damaged"):
        finish(interrupted[0].parent)
    assert [path.read_bytes() for path in interrupted] == [b"1", b"2"]


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{}",
        '{"format": "retreat-journal", "version": 1, "files": [{"name": "../one", "before": null, "after": ""}]}',
    ],
)
def test_a_journal_that_is_none_is_refused(files: tuple[Path, Path], text: str) -> None:
    (files[0].parent / JOURNAL).write_text(text)
    for use in (finish, lambda folder: read_settled(files[0])):
        with pytest.raises(TableError, match="this journal of an unfinished change is damaged"):
            use(files[0].parent)


def test_a_file_that_cannot_take_its_place_is_told_and_kept(
    interrupted: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as patch:

        def held(path: Path, target: Path) -> None:
            raise PermissionError(13, "held by another program")

        patch.setattr(Path, "replace", held)
        with pytest.raises(TableError, match="do not repeat it"):
            finish(interrupted[0].parent)
    finish(interrupted[0].parent)
    assert [path.read_bytes() for path in interrupted] == [b"10", b"20"]
