from __future__ import annotations

import os
from pathlib import Path

import pytest
from intake_bench import JOB, OTHER_JOB, Bench

from drydown.intake.adopt import adopt, adopt_copies
from drydown.intake.claim import claim
from drydown.intake.folder import TAKEN, FolderOffline
from drydown.intake.record import NOTE, STAGED, Claimed


def claimed_in(bench: Bench, name: str = "a.jpg", job: str = JOB, settings: bytes | None = None) -> Claimed:
    bench.drop(name)
    if settings is not None:
        bench.drop(name.rpartition(".")[0] + ".toml", settings)
    (ready,) = bench.settled()
    claimed = claim(ready, job, 1_790_000_000.0)
    assert claimed is not None
    return claimed


def test_claimed_pictures_are_found_again_as_they_were_oldest_first(bench: Bench) -> None:
    second = claimed_in(bench, "sub/b.jpg", OTHER_JOB, settings=b"x = 1")
    first = claimed_in(bench, "a.jpg", JOB)
    for _ in range(2):
        assert adopt(bench.folders[0]).claimed == (first, second)
    assert adopt(bench.folders[0]).notes == ()


def test_a_finished_sheet_that_may_have_been_printed_is_known_by_its_mark(bench: Bench) -> None:
    claimed = claimed_in(bench)
    (claimed.path.parent / STAGED).touch()
    assert adopt(bench.folders[0]).claimed[0].staged


@pytest.mark.parametrize("note", [None, b"", b"{}", b"[]", b"\xff", b'{"note": 2}', b"[" * 100_000])
def test_a_lost_or_damaged_note_is_written_anew(bench: Bench, note: bytes | None) -> None:
    claimed = claimed_in(bench, settings=b"x = 1")
    if note is None:
        (claimed.path.parent / NOTE).unlink()
    else:
        (claimed.path.parent / NOTE).write_bytes(note)
    adoption = adopt(bench.folders[0])
    (found,) = adoption.claimed
    assert (found.path, found.settings, found.trouble, found.settled) == (
        claimed.path,
        claimed.settings,
        "",
        True,
    )
    assert len(adoption.notes) == 1 and adopt(bench.folders[0]).notes == ()


def test_a_picture_that_changed_since_its_claim_is_not_settled(bench: Bench) -> None:
    claimed = claimed_in(bench)
    with claimed.path.open("ab") as late_writer:
        late_writer.write(b"more")
    assert not adopt(bench.folders[0]).claimed[0].settled


def test_a_picture_that_is_still_open_for_writing_is_not_settled(bench: Bench) -> None:
    claimed = claimed_in(bench)
    with claimed.path.open("ab"):
        assert not adopt(bench.folders[0]).claimed[0].settled


def test_settings_that_the_note_promises_are_fetched_from_where_they_lay(bench: Bench) -> None:
    claimed = claimed_in(bench, "sub/a.jpg", settings=b"x = 1")
    assert claimed.settings is not None
    claimed.settings.rename(bench.path / "sub" / "a.toml")
    adoption = adopt(bench.folders[0])
    assert adoption.claimed == (claimed,) and claimed.settings.exists() and "fetched" in adoption.notes[0]


def test_a_picture_whose_settings_are_nowhere_is_for_a_person_to_decide(bench: Bench) -> None:
    claimed = claimed_in(bench, settings=b"x = 1")
    assert claimed.settings is not None
    claimed.settings.unlink()
    bench.drop("a.toml", b"other = 1")
    (found,) = adopt(bench.folders[0]).claimed
    assert found.settings is None and "a.toml are missing" in found.trouble
    assert (bench.path / "a.toml").read_bytes() == b"other = 1"


def test_settings_without_a_picture_go_back_and_never_over_others(bench: Bench) -> None:
    claimed = claimed_in(bench, "sub/a.jpg", settings=b"x = 1")
    claimed.path.unlink()
    bench.drop("sub/a.toml", b"newer = 1")
    adoption = adopt(bench.folders[0])
    assert adoption.claimed == () and "put back" in adoption.notes[0]
    contents = {path.name: path.read_bytes() for path in (bench.path / "sub").iterdir()}
    assert contents == {"a.toml": b"newer = 1", f"a-{JOB}.toml": b"x = 1"}
    assert not claimed.path.parent.exists()


def test_an_empty_folder_of_a_job_is_removed(bench: Bench) -> None:
    (bench.path / TAKEN / JOB).mkdir()
    (bench.path / TAKEN / OTHER_JOB).mkdir()
    (bench.path / TAKEN / OTHER_JOB / NOTE).write_bytes(b"{}")
    (bench.path / TAKEN / OTHER_JOB / ".drydown-00.part").write_bytes(b"{")
    assert adopt(bench.folders[0]).claimed == ()
    assert list((bench.path / TAKEN).iterdir()) == []


def test_what_is_none_of_ours_is_left_alone_and_said(bench: Bench) -> None:
    (bench.path / TAKEN / "somebody's folder").mkdir()
    (bench.path / TAKEN / JOB).mkdir()
    for name in ("a.jpg", "b.jpg"):
        (bench.path / TAKEN / JOB / name).write_bytes(b"x")
    adoption = adopt(bench.folders[0])
    assert adoption.claimed == () and len(adoption.notes) == 2
    assert len(list((bench.path / TAKEN / JOB).iterdir())) == 2


def test_a_claimed_file_that_became_unfit_is_for_a_person_to_decide(bench: Bench, tmp_path: Path) -> None:
    claimed = claimed_in(bench)
    os.link(claimed.path, tmp_path / "second name")
    assert "hard links" in adopt(bench.folders[0]).claimed[0].trouble


def test_nothing_is_concluded_about_a_folder_that_is_offline(bench: Bench, tmp_path: Path) -> None:
    bench.path.rename(tmp_path / "the share")
    bench.path.mkdir()
    with pytest.raises(FolderOffline):
        adopt(bench.folders[0])


def test_a_private_folder_that_was_never_made_holds_nothing(tmp_path: Path) -> None:
    assert adopt_copies(tmp_path / "never").claimed == ()
