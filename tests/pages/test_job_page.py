"""The page of a job as a file: it holds everything, fetches nothing, and obeys no name that a stranger chose."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest

from drydown.pages.drawings import HEIGHT, WIDTH, closed, graph, steps
from drydown.pages.job_page import Histogram, JobPage, Level, LossShown, Shot, StepShown, ToneShown, job_page
from drydown.pages.render import plain
from drydown.pages.run_page import RunPaper, RunPicture, run_page
from drydown.showing import shown

#: the smallest JPEG that a browser shows: one grey pixel
JPEG = bytes.fromhex(
    "ffd8ffe000104a46494600010100000100010000ffdb004300080606070605080707070909080a0c140d0c0b0b0c1912130f141d1a1f1e1d1a1c1c20242e2720222c231c1c2837292c30313434341f27393d38323c2e333432"
    "ffc0000b080001000101011100ffc4001f0000010501010101010100000000000000000102030405060708090a0bffc400b5100002010303020403050504040000017d01020300041105122131410613516107227114328191a1"
    "082342b1c11552d1f02433627282090a161718191a25262728292a3435363738393a434445464748494a535455565758595a636465666768696a737475767778797a838485868788898a92939495969798999aa2a3a4a5a6a7a8a9"
    "aab2b3b4b5b6b7b8b9bac2c3c4c5c6c7c8c9cad2d3d4d5d6d7d8d9dae1e2e3e4e5e6e7e8e9eaf1f2f3f4f5f6f7f8f9faffda0008010100003f00fbd3ffd9"
)
HOSTILE = [
    "<img src=x onerror=alert(1)>.tif",
    '"><script>alert(1)</script>',
    "a\nb\u202egpj.tif",
    "</style><b>",
    "{{ 7*7 }}",
    "javascript:alert(1)",
]


def shot(title: str = "Source") -> Shot:
    return Shot(title, "As it is.", f"The picture: {title}", JPEG, (1, 1))


def a_page(**changes: object) -> JobPage:
    square = [(0.1, 0.1), (0.5, 0.1), (0.5, 0.5), (0.1, 0.1)]
    loss = LossShown(
        shot("Loss map"),
        [Level(1.0, [square], True), Level(3.0, [square], False), Level(6.0, [square], False)],
        ["perceptual"],
        [("Mean ΔE00", ["1.2"])],
        "Stay.",
        0.1,
        1.4,
        25_000,
    )
    whole = JobPage(
        source="shore.tif",
        job="1m89tcxfzhrdz",
        facts=[("Stock", "pearl")],
        shots=[shot(), shot("Adapted view"), replace(shot("Table view"), surround="screen")],
        screen="sRGB",
        outside=["It cannot show 2.0 % of the printed colours."],
        loss=loss,
        no_loss="",
        histogram=Histogram((0.0, 50.0, 50.0, 0.0), (0.0, 40.0, 60.0, 0.0), 8.0),
        tone=ToneShown([(8.0, 8.0), (50.0, 53.0), (100.0, 100.0)], (3.0, 0.0, -0.1), ["tone-lift"]),
        steps=[
            StepShown(
                "tone-lift",
                "tone-lift",
                "drydown 0.1",
                [("lift_L", 3.0, "recipe"), ("contrast", None, "default")],
            )
        ],
        ticket=[{"section": "Paper", "text": "Stock", "value": "pearl", "stated": True, "caution": "flat"}],
        warnings=["Mind the gap."],
        notes=[("crop", "cut")],
    )
    return replace(whole, **changes)  # type: ignore[arg-type]


class Elements(HTMLParser):
    """Every element with its attributes."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))


def test_it_holds_all_that_was_told() -> None:
    text = job_page(a_page())
    for said in ("shore.tif", "Adapted view", "Table view", "2.0 %", "ISO 3664", "ISO 12646", "cd/m²", "never absolute tone", "Mean ΔE00",
                 "within the profile&#39;s own error", "lift_L", "recipe", "not set", "Mind the gap.", "tone-lift", "+3.0", "25,000"):  # fmt: skip
        assert said in text or said.replace("&#39;", "'") in text, said


def test_it_is_one_file_that_fetches_and_runs_nothing() -> None:
    elements = Elements(job_page(a_page())).found
    assert not {tag for tag, _ in elements} & {"script", "link", "iframe", "object", "embed", "form", "base"}
    for tag, attributes in elements:
        for name, value in attributes.items():
            assert not name.startswith("on") and name != "style", (tag, name)
            if name in ("src", "href", "srcset", "action"):
                assert (value or "").startswith("data:image/jpeg;base64,"), (tag, name)
    (policy,) = [a["content"] or "" for tag, a in elements if tag == "meta" and "http-equiv" in a]
    assert "default-src 'none'" in policy and "unsafe" not in policy


def test_every_picture_and_diagram_has_words() -> None:
    elements = Elements(job_page(a_page())).found
    assert sum(tag == "img" for tag, _ in elements) == 4
    for tag, attributes in elements:
        if tag == "img":
            assert attributes.get("alt")
        if tag == "svg":
            assert attributes.get("aria-label") or attributes.get("aria-hidden") == "true"


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_name_is_shown_and_not_obeyed(name: str) -> None:
    seen = shown(name)
    calm = Elements(job_page(a_page())).found
    step = StepShown(seen, seen, seen, [(seen, name, seen)])
    line = {"section": seen, "text": seen, "value": seen, "stated": True, "caution": seen}
    text = job_page(a_page(source=seen, warnings=[seen], notes=[(seen, seen)], steps=[step], ticket=[line]))
    tags = {tag for tag, _ in Elements(text).found}
    assert tags <= {tag for tag, _ in calm} | {"br", "small"}
    assert "\u202e" not in text and "49" not in Elements(text).found
    assert re.search(r"<title>[^<\n]*</title>", text)


def test_a_run_links_to_its_pages_by_harmless_addresses() -> None:
    name = 'x" onmouseover="y <b>#?.page.html'
    picture = RunPicture("01", shown(name), "done", "", "", JPEG, (1, 1), name, [("Loss", "2 %")])
    none = RunPicture("02", "gone.tif", "refused", "It is damaged.", "")
    elements = Elements(
        run_page(
            title="Portfolio", facts=[("Pictures", "2")], papers=[RunPaper("pearl, A4", [picture, none])]
        )
    ).found
    (link,) = [attributes for tag, attributes in elements if tag == "a"]
    assert link == {"href": "x%22%20onmouseover%3D%22y%20%3Cb%3E%23%3F.page.html"}


def test_without_a_loss_map_it_says_why() -> None:
    text = job_page(a_page(loss=None, no_loss="No loss map: it imitates another paper.", tone=None))
    assert "it imitates another paper" in text and "Tone curve" not in text


def test_drawings_stay_in_their_fields() -> None:
    assert closed([[(0, 0), (1, 0), (1, 1)]], 10, 20) == "M0.0,0.0 10.0,0.0 10.0,20.0Z"
    assert graph([(0, 0), (100, 100)]) == f"M0.0,{HEIGHT:.1f} {WIDTH:.1f},0.0"
    assert steps([0, 10], 10).endswith(f"V0.0H{WIDTH:.1f}V{HEIGHT}")
    assert (
        plain(0.30000000001) == "0.3"
        and plain(None) == "not set"
        and plain(True) == "yes"
        and plain([1, "a\n"]) == "1, a\\n"
    )


def test_a_browser_shows_it_without_sideways_scrolling(tmp_path: Path) -> None:
    """In headless Chromium, from disk: the page's own policy lets its style through, and nothing is wider than the window."""
    browser = shutil.which("chromium")
    if browser is None:
        (pytest.fail if os.environ.get("CI_BROWSER") else pytest.skip)(
            "needs the browser of the Debian package chromium"
        )
    page = tmp_path / "page.html"
    page.write_text(job_page(a_page(source="a-very-long-name-without-any-space-" * 6)), encoding="utf-8")
    frame = tmp_path / "frame.html"
    frames = "".join(f'<iframe src="page.html" width={width} height=900></iframe>' for width in (390, 1280))
    frame.write_text(
        f"{frames}<pre id=o></pre><script>onload=()=>{{for(const f of document.querySelectorAll('iframe')){{const d=f.contentDocument;"
        "o.textContent+=[f.clientWidth,d.documentElement.scrollWidth,getComputedStyle(d.querySelector('.surround')).backgroundColor,"
        "[...d.images].every(i=>i.complete&&i.naturalWidth)].join(' ')+';'}}</script>"
    )
    command = [
        str(browser),
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        f"--user-data-dir={tmp_path / 'profile'}",
    ]
    command += [
        "--allow-file-access-from-files",
        "--window-size=1340,1000",
        "--virtual-time-budget=4000",
        "--dump-dom",
        frame.as_uri(),
    ]
    done = subprocess.run(command, capture_output=True, text=True, timeout=90, check=False)
    found = re.findall(r"(\d+) (\d+) (rgb\([^)]*\)) (\w+);", done.stdout)
    assert [int(shown_px) for shown_px, *_ in found] == [390, 1280], done.stdout[-500:] + done.stderr[-500:]
    for window_px, page_px, colour, pictures in found:
        assert int(page_px) <= int(window_px)
        assert colour == "rgb(119, 119, 119)", "the style sheet is not let through by the page's own policy"
        assert pictures == "true"
