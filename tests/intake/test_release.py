from __future__ import annotations

import dataclasses
import errno
import json
import os
from pathlib import Path

import pytest
from intake_bench import JOB, Bench, crash_at

from drydown import durable
from drydown.intake.adopt import adopt
from drydown.intake.claim import claim
from drydown.intake.folder import TAKEN
from drydown.intake.record import STAGED, Claimed
from drydown.intake.release import release

REASON = {"reason": "it is a panorama", "next": "crop it"}


def claimed_in(bench: Bench, name: str = "a b.JPG") -> Claimed:
    bench.drop(name)
    bench.drop(name.rpartition(".")[0] + ".toml", b"x = 1")
    (ready,) = bench.settled()
    claimed = claim(ready, JOB, 0.0)
    assert claimed is not None
    return claimed


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_an_original_is_put_away_under_a_name_of_its_own_with_settings_and_reason(
    bench: Bench, tmp_path: Path
) -> None:
    claimed = claimed_in(bench)
    (claimed.path.parent / STAGED).touch()
    assert release(claimed, tmp_path / "held", REASON) == tmp_path / "held" / f"a_b__{JOB}.JPG"
    found = contents(tmp_path / "held")
    assert json.loads(found.pop(f"a_b__{JOB}.reason.json")) == REASON
    assert found == {f"a_b__{JOB}.JPG": b"a picture", f"a_b__{JOB}.toml": b"x = 1"}
    assert list((bench.path / TAKEN).iterdir()) == []


@pytest.mark.parametrize(
    "name", ["x" * 251 + ".jpg", "CON.jpg", "no suffix", os.fsdecode(b"\xff\xfe.jpg"), "é" * 125 + ".tif"]
)
def test_any_name_can_be_put_away(bench: Bench, tmp_path: Path, name: str) -> None:
    (bench.path / name).write_bytes(b"a picture")
    (ready,) = bench.settled()
    claimed = claim(ready, JOB, 0.0)
    assert claimed is not None
    target = release(claimed, tmp_path / "done", REASON)
    assert target.read_bytes() == b"a picture" and len(os.fsencode(target.name)) < 200


def test_what_was_put_away_once_can_be_put_away_elsewhere_under_the_same_name(
    bench: Bench, tmp_path: Path
) -> None:
    claimed = claimed_in(bench)
    held = release(claimed, tmp_path / "held", REASON)
    settings = held.with_suffix(".toml")
    done = release(dataclasses.replace(claimed, path=held, settings=settings), tmp_path / "done", None)
    assert done == tmp_path / "done" / f"a_b__{JOB}.JPG"
    assert contents(tmp_path / "done") == {f"a_b__{JOB}.JPG": b"a picture", f"a_b__{JOB}.toml": b"x = 1"}


def test_nothing_is_put_over_another_file(bench: Bench, tmp_path: Path) -> None:
    claimed = claimed_in(bench)
    (tmp_path / "done").mkdir()
    (tmp_path / "done" / f"a_b__{JOB}.JPG").write_bytes(b"somebody else's")
    with pytest.raises(FileExistsError):
        release(claimed, tmp_path / "done", None)
    assert claimed.path.exists()


def test_an_original_that_is_nowhere_is_an_error(bench: Bench, tmp_path: Path) -> None:
    claimed = claimed_in(bench)
    claimed.path.unlink()
    with pytest.raises(FileNotFoundError):
        release(claimed, tmp_path / "done", None)


@pytest.mark.parametrize("other_disk", [False, True])
def test_putting_away_can_be_repeated_after_a_crash_at_any_step(
    bench: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, other_disk: bool
) -> None:
    if other_disk:
        real = durable._rename_new

        def rename(src: durable.AnyPath, dst: durable.AnyPath, a: int | None, b: int | None) -> None:
            if a is None and b is None and Path(src).parent != Path(dst).parent:
                raise OSError(errno.EXDEV, os.strerror(errno.EXDEV))
            real(src, dst, a, b)

        monkeypatch.setattr(durable, "_rename_new", rename)
    n, came = 0, True
    while came:
        claimed, done = claimed_in(bench), tmp_path / f"done{n}"
        came = crash_at(n, release, claimed, done, REASON)
        found = adopt(bench.folders[0]).claimed
        assert {each.job for each in found} <= {JOB}
        assert len(found) == 1 or (done / f"a_b__{JOB}.JPG").read_bytes() == b"a picture"
        release(claimed, done, REASON)
        kept = {name: data for name, data in contents(done).items() if not durable.is_unfinished(name)}
        assert json.loads(kept.pop(f"a_b__{JOB}.reason.json")) == REASON
        assert kept == {f"a_b__{JOB}.JPG": b"a picture", f"a_b__{JOB}.toml": b"x = 1"}
        assert list((bench.path / TAKEN).iterdir()) == [] and bench.names() == []
        n += 1
    assert n > 20
