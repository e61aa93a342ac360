"""The settings of every installed step and sheet maker as a page in Markdown: `examples/STEPS.md` is this for the built-in ones."""

from __future__ import annotations

from collections.abc import Iterator

from drydown.api import Offer, SheetOffer
from drydown.cli.steps import default_of, limits_of, type_of
from drydown.discovery import Discovery

_HEAD = """\
# Steps and sheet makers

What a recipe can use, with every setting. This page is printed by `drydown steps --reference`; in a studio it holds the studio's own steps too. A setting that
is left out has its default; a misspelt one is a fault. Lengths are in mm on paper, L* and CC are counted on the print."""


def reference(found: Discovery) -> Iterator[str]:
    """The page, block by block; blocks are apart by an empty line."""
    yield _HEAD
    for offer in found.offers.values():
        yield from _of_offer(offer, found.origins[offer.name].offered_by.split(" ")[0])


def _of_offer(offer: Offer, who: str) -> Iterator[str]:
    kind = f"Sheet maker, table `[{offer.name}]`." if isinstance(offer, SheetOffer) else "Step."
    by = "" if who == "drydown" else f" Offered by {who}."
    yield f"## {offer.name}"
    yield f"*{kind}* {offer.about}{by}"
    if not (fields := offer.settings.model_fields):
        yield "It has no settings."
        return
    rows = [
        f"| `{key}` | {_cell(default_of(field))} | {_cell(type_of(field.annotation) + limits_of(field))} | {_cell(field.description or '')} |"
        for key, field in fields.items()
    ]
    yield "\n".join(["| setting | default | takes | what it does |", "|---|---|---|---|", *rows])


def _cell(text: str) -> str:
    return text.replace("|", "\\|").replace("\n", " ")
