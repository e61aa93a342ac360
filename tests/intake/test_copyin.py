from __future__ import annotations

import os
from pathlib import Path

import pytest
from intake_bench import JOB, crash_at

from drydown import durable
from drydown.intake.adopt import adopt_copies
from drydown.intake.copyin import beside, claim_copy


@pytest.fixture
def picture(tmp_path: Path) -> Path:
    path = tmp_path / "desk" / "a.jpg"
    path.parent.mkdir()
    path.write_bytes(b"a picture")
    path.with_suffix(".toml").write_bytes(b"x = 1")
    return path


def test_a_persons_own_file_is_copied_and_stays(picture: Path, tmp_path: Path) -> None:
    claimed = claim_copy(picture, tmp_path / "taken", JOB, 5.0, settings=picture.with_suffix(".toml"))
    assert claimed.path.read_bytes() == picture.read_bytes() == b"a picture"
    assert claimed.settings is not None and claimed.settings.read_bytes() == b"x = 1"
    assert claimed.dropped == picture and claimed.folder == "run"
    assert (tmp_path / "taken" / JOB).stat().st_mode & 0o777 == 0o700
    picture.write_bytes(b"changed the next minute")
    assert adopt_copies(tmp_path / "taken").claimed == (claimed,)


def test_settings_beside_a_persons_file_are_found_by_the_same_rule(picture: Path) -> None:
    assert beside(picture).settings == "a.toml"
    picture.with_suffix(".tif").touch()
    assert "several pictures" in beside(picture).why
    (picture.parent / ".a.jpg").write_bytes(b"x")
    assert beside(picture.parent / ".a.jpg").settings is None


def test_a_link_that_a_person_names_is_followed_and_a_hidden_file_is_taken_too(
    picture: Path, tmp_path: Path
) -> None:
    link = tmp_path / ".job.json"
    link.symlink_to(picture)
    claimed = claim_copy(link, tmp_path / "taken", JOB, 0.0)
    assert claimed.path.read_bytes() == b"a picture" and not claimed.path.is_symlink()
    assert claimed.name == "_job.json" and adopt_copies(tmp_path / "taken").claimed == (claimed,)


def test_a_file_that_is_still_being_written_is_refused_and_nothing_stays(
    picture: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def grow(step: str) -> None:
        if step == "write.done":
            with picture.open("ab") as writer:
                writer.write(b"more")

    monkeypatch.setattr(durable, "on_step", grow)
    with pytest.raises(BlockingIOError):
        claim_copy(picture, tmp_path / "taken", JOB, 0.0)
    assert list((tmp_path / "taken").iterdir()) == []


def test_a_pipe_or_folder_cannot_be_printed(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.jpg")
    for name in ("pipe.jpg", "."):
        with pytest.raises(OSError, match="not a file that can be printed"):
            claim_copy(tmp_path / name, tmp_path / "taken", JOB, 0.0)
    assert not (tmp_path / "taken").exists()


def test_a_job_name_that_is_taken_leaves_the_other_job_alone(picture: Path, tmp_path: Path) -> None:
    claimed = claim_copy(picture, tmp_path / "taken", JOB, 0.0)
    with pytest.raises(FileExistsError):
        claim_copy(picture, tmp_path / "taken", JOB, 0.0)
    assert adopt_copies(tmp_path / "taken").claimed == (claimed,)


def test_wherever_the_program_dies_there_is_a_whole_copy_with_its_settings_or_none(
    picture: Path, tmp_path: Path
) -> None:
    outcomes, n = [], 0

    def copy(n: int) -> None:
        claim_copy(picture, tmp_path / f"taken{n}", JOB, 0.0, settings=picture.with_suffix(".toml"))

    while crash_at(n, copy, n):
        found = adopt_copies(tmp_path / f"taken{n}").claimed
        for claimed in found:
            assert claimed.path.read_bytes() == b"a picture"
            assert claimed.settings is not None and claimed.settings.read_bytes() == b"x = 1"
            assert claimed.settled and claimed.trouble == ""
        if not found and (tmp_path / f"taken{n}").exists():
            assert list((tmp_path / f"taken{n}").iterdir()) == []
        outcomes.append(bool(found))
        n += 1
    assert picture.read_bytes() == b"a picture"
    assert outcomes == sorted(outcomes) and True in outcomes and n > 20
