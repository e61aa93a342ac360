"""The page of a run over several pictures: each small, with its state and its figures, and the way to its own page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import quote

from drydown.pages.render import html


@dataclass(frozen=True, slots=True)
class RunPicture:
    """One picture of the run. `page`: name of its own page in the same folder, empty where there is none; `jpeg`: empty where it has no preview."""

    number: str
    name: str
    state: str
    why: str
    sheet: str
    jpeg: bytes = b""
    size_px: tuple[int, int] = (0, 0)
    page: str = ""
    figures: Sequence[tuple[str, str]] = ()

    @property
    def link(self) -> str:
        """The address of its page beside this one (RFC 3986): no letter of a name is obeyed."""
        return quote(self.page)


@dataclass(frozen=True, slots=True)
class RunPaper:
    """The pictures on one stock and sheet."""

    title: str
    pictures: Sequence[RunPicture]


def run_page(*, title: str, facts: Sequence[tuple[str, str]], papers: Sequence[RunPaper]) -> str:
    """The page as HTML. `facts`: label and value."""
    return html("run.html", title=title, facts=facts, papers=papers)
