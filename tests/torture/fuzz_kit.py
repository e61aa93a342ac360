"""Our own parsers of what strangers write, each with sound input to damage and the exceptions that it may raise."""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from blake3 import blake3

from drydown.errors import Refusal
from drydown.imaging import icc
from drydown.imaging.reading import boxes, exif, heif, ifd, jpeg, png, psd, psd_parts, tiff, tiff_page, webp
from drydown.imaging.reading.found import Found, Source, mapped
from drydown.intake import ends, record
from drydown.jobs import requests
from drydown.jobs.record import as_json, read_record, record_bytes
from drydown.jobs.spec import AttemptResult, JobSpec
from drydown.studio.toml_file import parse_toml
from tests.imaging.read_makers import exif_block
from tests.jobs.jobs_kit import a_spec, answered
from tests.torture.hostile_kit import good_files, profiles
from tests.torture.quick_kit import MEMORY


@dataclass(frozen=True, slots=True)
class Target:
    """A parser: what it takes, and what it may raise."""

    name: str
    parse: Callable[[bytes], object]
    sound: Callable[[], list[bytes]]
    may_raise: tuple[type[Exception], ...] = ()


def _pictures(*endings: str) -> Callable[[], list[bytes]]:
    return lambda: [data for name, data in good_files().items() if name.endswith(endings)]


def _ends(data: bytes) -> object:
    return ends.unfinished(lambda at, count: data[at : at + count], len(data))


def _directories(data: bytes) -> None:
    for directory in ifd.chain(data):
        exif.from_directory(directory)
        list(ifd.children(directory))
        tiff_page.check_places(tiff_page.page_of(directory), len(data))


def _examined(examine: Callable[[Source], Found]) -> Callable[[bytes], object]:
    """A family's whole examination, which wants a file."""

    def parse(data: bytes) -> object:
        with tempfile.NamedTemporaryFile(dir=MEMORY) as file:
            file.write(data)
            file.flush()
            with mapped(Path(file.name), Path(file.name).parent) as source:
                return examine(source)

    return parse


def _note(data: bytes) -> object:
    with tempfile.TemporaryDirectory(dir=MEMORY) as folder:
        (Path(folder) / record.NOTE).write_bytes(data)
        fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            return record.read(fd)
        finally:
            os.close(fd)


def _a_note() -> list[bytes]:
    look = {"ino": 2, "size": 3, "mtime_ns": 4, "ctime_ns": 5}
    name = b"a.jpg".hex()
    note = {"note": 1, "job": "j", "folder": "final", "within_hex": "", "name_hex": name, "settings": None}
    return [json.dumps(note | look | {"taken_at_s": 1.5, "dropped_hex": name, "copied": False}).encode()]


def _request(data: bytes) -> object:
    with tempfile.TemporaryDirectory(dir=MEMORY) as folder:
        (Path(folder) / "aaaaaaaa.json").write_bytes(data)
        return requests.take(Path(folder), "aaaaaaaa", now=1.0)


def _a_request() -> list[bytes]:
    asked: dict[str, Any] = {"request": 1, "verb": "retry", "args": {"job": "x"}, "made": 1.0, "expires": 9.0}
    return [json.dumps(asked).encode()]


def _a_plan() -> list[bytes]:
    return [as_json(a_spec("j", prints=Path("p"), source=Path("a.jpg"))).encode()]


_TOML: Final = b'# own\n[tone-lift]\nlift_L = 3.0\n"balance.magenta" = -2\nx = ["a", {b = 1979-05-27}]\n'
TARGETS: Final = (
    Target("end-marks", _ends, _pictures("jpg", "png", "tif", "webp", "heic")),
    Target("directories", _directories, _pictures("tif"), (ifd.BadDirectory,)),
    Target("exif", exif.read_exif, lambda: [exif_block(6, colour_space=1, interop="R03")]),
    Target("psd-sections", psd_parts.parts_of, _pictures("psd", "psb"), (psd_parts.BadPsd,)),
    Target("boxes", boxes.items, _pictures("heic", "avif"), (boxes.BadBoxes,)),
    Target("jpeg", _examined(jpeg.examine), _pictures("jpg"), (Refusal,)),
    Target("png", _examined(png.examine), _pictures("png"), (Refusal,)),
    Target("tiff", _examined(tiff.examine), _pictures("tif"), (Refusal,)),
    Target("webp", _examined(webp.examine), _pictures("webp"), (Refusal,)),
    Target("heif", _examined(heif.examine), _pictures("heic", "avif"), (Refusal,)),
    Target("psd", _examined(psd.examine), _pictures("psd", "psb"), (Refusal,)),
    Target("icc", icc.inspect, lambda: list(profiles().values()), (icc.BadProfile,)),
    Target("icc-source", lambda data: icc.check_source(data, channels=3), lambda: list(profiles().values()), (Refusal,)),
    Target("claim-note", _note, _a_note),
    Target("plan", JobSpec.model_validate_json, _a_plan, (ValueError,)),
    Target("result", AttemptResult.model_validate_json, lambda: [as_json(answered("j", 1, "held")).encode()], (ValueError,)),
    Target("record", read_record, lambda: [record_bytes({"record": 1, "job": "j", "hash": blake3(b"").hexdigest()})]),
    Target("request", _request, _a_request),
    Target("own-settings", lambda data: parse_toml(data.decode("utf-8", "replace"), "a.toml"), lambda: [_TOML]),
)  # fmt: skip
