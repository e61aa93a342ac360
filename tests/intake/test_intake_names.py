from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drydown.intake.ignored import ignored
from drydown.intake.names import JOB_ALPHABET, is_job_id, job_id, safe_stem, typed_job_id
from drydown.showing import shown

LEFT_ALONE = [
    ".part",
    ".filepart",
    ".crdownload",
    ".DS_Store",
    "._x.jpg",
    ".x.jpg.Xa93Kd",
    ".hidden",
    "x.part",
    "x.PART",
    "x.jpg.part",
    "x.partial",
    "x.filepart",
    "x.crdownload",
    "x.download",
    "x.opdownload",
    "x.jpg.aria2",
    "x.tmp",
    "x.TMP",
    "x.temp",
    "~x.tmp",
    "x.jpg~",
    "#x.jpg#",
    "x.swp",
    "x.bak",
    "x.lock",
    "x.lck",
    "~$x.psd",
    "Thumbs.db",
    "thumbs.db",
    "THUMBS.DB",
    "ehthumbs.db",
    "desktop.ini",
    "Desktop.ini",
    "@eaDir",
    "@tmp",
    "#recycle",
    "@Recycle",
    "$RECYCLE.BIN",
    "lost+found",
    "__MACOSX",
    "x.tif.sb-1a2b3c4d-Ab3dEf",
]
PICTURES = [
    "x.jpg",
    "X.JPG",
    "party.jpg",
    "tmp.jpg",
    "part.tif",
    "thumbs.jpg",
    "x.tmp.jpg",
    "download.png",
    "@home.jpg",
    "#1.jpg",
    "~summer.jpg",
    "lock.tif",
    "a.b.c.tif",
    "README",
    "Tür.jpg",
    "x.jpg.toml",
    "x.sb.tif",
]


@pytest.mark.parametrize("name", [*LEFT_ALONE, "System Volume Information", "Icon\r"])
def test_what_other_programs_leave_in_a_folder_is_left_alone_with_a_reason(name: str) -> None:
    assert ignored(name)
    assert ignored(name.encode())


@pytest.mark.parametrize("name", PICTURES)
def test_a_picture_whose_name_merely_looks_like_that_is_taken(name: str) -> None:
    assert ignored(name) is None


def test_a_name_that_is_no_text_is_not_ignored() -> None:
    assert ignored(b"\xff\xfe.jpg") is None
    assert ignored(b"\xff\xfe.part")


@pytest.mark.parametrize(
    ("name", "stem"),
    [
        ("IMG_0001.JPG", "IMG_0001"),
        ("two words, and more.tif", "two_words__and_more"),
        ("a.b.c.tif", "a.b.c"),
        ("no suffix", "no_suffix"),
        ("../../etc/passwd", "_.._etc_passwd"),
        ("Mr. Smith at the sea", "Mr._Smith_at_the_sea"),
        (".hidden.jpg", "hidden"),
        ("...", "picture"),
        (".jpg", "jpg"),
        ("", "picture"),
        ("x..jpg", "x"),
        ("-rf.jpg", "_rf"),
        ("CON.jpg", "_CON"),
        ("con.tif.jpg", "_con.tif"),
        ("Lpt1.jpg", "_Lpt1"),
        ("concert.jpg", "concert"),
        ("e\u0301te\u0301.jpg", "\u00e9t\u00e9"),
        ("हिन्दी.jpg", "हिन्दी"),
        ("東京.jpg", "東京"),
        ("a\u202egpj.exe.jpg", "a_gpj.exe"),
        ("line\nbreak.jpg", "line_break"),
        (b"\xff\xfe.jpg", "__"),
        (b"caf\xc3\xa9.jpg", "café"),
    ],
)
def test_output_names_begin_with_a_tame_form_of_the_dropped_name(name: str | bytes, stem: str) -> None:
    assert safe_stem(name) == stem


def test_both_spellings_of_an_accent_give_one_stem() -> None:
    assert safe_stem(unicodedata.normalize("NFD", "né.jpg")) == safe_stem(
        unicodedata.normalize("NFC", "né.jpg")
    )


def test_a_name_of_255_bytes_is_cut_between_code_points() -> None:
    assert safe_stem("a" * 251 + ".jpg") == "a" * 120
    assert safe_stem("é" * 127) == "é" * 60
    assert safe_stem("x" + "é" * 125 + ".jpg") == "x" + "é" * 59  # 119 bytes: the next one would need two


@given(st.one_of(st.text(max_size=300), st.binary(max_size=300)), st.integers(8, 200))
def test_whatever_the_name_the_stem_is_safe(name: str | bytes, max_bytes: int) -> None:
    stem = safe_stem(name, max_bytes)
    assert 0 < len(stem.encode("utf-8")) <= max_bytes
    assert stem[0] not in ".-" and stem[-1] != "."
    assert "/" not in stem and "\0" not in stem and stem.isprintable()
    assert unicodedata.normalize("NFC", stem).encode() == stem.encode() or any(
        unicodedata.category(letter)[0] == "M" for letter in stem
    )


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("Tür 1.jpg", "Tür 1.jpg"),
        ("a\nb.jpg", r"a\nb.jpg"),
        ("a\x1b[31mb.jpg", r"a\x1b[31mb.jpg"),
        ("a\x7fb\x9bc", r"a\x7fb\x9bc"),
        ("a\u202egpj.exe", r"a\u202egpj.exe"),
        ("a\u2066b\u200bc\ufeffd", r"a\u2066b\u200bc\ufeffd"),
        ("a\u2028b\u2029c", r"a\u2028b\u2029c"),
        (b"\xff\xfe.jpg", r"\xff\xfe.jpg"),
        (b"\\xff.jpg", r"\\xff.jpg"),
        ("\U000e0041", r"\U000e0041"),
    ],
)
def test_names_are_shown_on_one_line_without_effects(name: str | bytes, text: str) -> None:
    assert shown(name) == text


@given(st.binary(max_size=255))
def test_any_name_can_be_shown_and_encoded(name: bytes) -> None:
    text = shown(name)
    text.encode("utf-8")
    assert all(unicodedata.category(letter) not in ("Cc", "Cf", "Cs", "Zl", "Zp") for letter in text)


@given(st.binary(max_size=60), st.binary(max_size=60))
def test_two_names_are_never_shown_alike(a: bytes, b: bytes) -> None:
    assert (shown(a) == shown(b)) == (a == b)


def test_a_job_is_thirteen_letters_that_nobody_misreads() -> None:
    job = job_id(1_790_000_000.0)
    assert len(job) == 13 and set(job) <= set(JOB_ALPHABET)
    assert not set("ilou") & set(JOB_ALPHABET) and len(JOB_ALPHABET) == 32
    assert (
        is_job_id(job)
        and not is_job_id(job.upper())
        and not is_job_id(job + "0")
        and not is_job_id("../abcdefghij")
    )


@given(st.integers(0, 2**41), st.integers(1, 10**9), st.integers(0, 2**20 - 1), st.integers(0, 2**20 - 1))
def test_jobs_sort_by_the_time_they_were_made(ms: int, later_ms: int, a: int, b: int) -> None:
    assert job_id(ms / 1000, lambda _bits: a) < job_id((ms + later_ms + 1) / 1000, lambda _bits: b)


def test_jobs_of_one_instant_differ_by_chance() -> None:
    assert len({job_id(1_790_000_000.0) for _ in range(50)}) == 50


def test_a_job_typed_carelessly_is_understood() -> None:
    assert typed_job_id("  01ABCL9O \n") == "01abc190"
