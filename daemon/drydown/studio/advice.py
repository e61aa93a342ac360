"""What a careful printmaker would say about a recipe that is sound but unwise, and the few slips that would spoil every sheet.

Advice never stops anything; a fault does. The limits of what is meant for proofing moves are those of the tone and balance model: beyond them, after
conversion, saturated colours are left behind by greys.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations
from typing import Any

from drydown.api import Intent
from drydown.errors import Fault
from drydown.studio.layers import Complete
from drydown.studio.profiles import ProfileWords
from drydown.studio.resolve import Resolved
from drydown.studio.settled import INK_KEYS
from drydown.studio.stock import StockFile
from drydown.studio.words import INTENTS, number

#: After conversion: L* of lift, CC of one ink, and contrast, up to which a move is a proofing move.
MOST_LIFT_L, MOST_CC, CONTRASTS = 4.0, 20.0, (0.85, 1.15)
#: The steps that this module knows. A recipe with another one may convert, resize or sharpen in ways it cannot judge.
KNOWN = ("flatten", "crop", "resample", "convert", "tone-lift", "balance", "sharpen")
INKS = ("cyan", "magenta", "yellow")
#: (first, then, why): the order that a chain of the steps we know wants.
_ORDER = (
    ("crop", "resample", "crop changes the size that resample has brought to the stock's pixels an inch"),
    ("crop", "sharpen", "sharpening is made for the final size, and crop changes it"),
    (
        "resample",
        "sharpen",
        "sharpening is made for the final size, and resample blurs what was sharpened before",
    ),
    (
        "resample",
        "convert",
        "a printer's space is not linear in light, so fine texture is averaged too dark there",
    ),
    ("flatten", "convert", "a picture with transparency cannot be converted"),
)
#: What a chain of the steps we know misses without one of them.
_WANTED = {
    "flatten": "a picture with transparency cannot be converted",
    "crop": "nothing brings the picture to the shape of the room on the sheet",
}


@dataclass(frozen=True, slots=True, order=True)
class Advice:
    """Something unwise: where it stands, and what to do."""

    where: str  #: the file, and the steps where it is about some
    text: str  #: lower case, no full stop

    def __str__(self) -> str:
        return f"{self.where}: {self.text}"


def chain_faults(found: Resolved) -> Iterator[Fault]:
    """Slips that spoil every sheet: no conversion, no resampling, or an absolute conversion without a paper to imitate."""
    file = found.recipe.file
    uses = [step.use for step in found.steps]
    if "convert" not in uses and set(uses) <= set(KNOWN):
        reason = "has no convert step: the picture would keep its own colours, and no sheet is made of that"
        yield Fault(file, "", reason, 'add [[step]] use = "convert"')
    if "resample" not in uses and set(uses) <= set(KNOWN):
        reason = "has no resample step: nothing brings the picture to the stock's pixels an inch"
        yield Fault(file, "", reason, 'add [[step]] use = "resample"')
    if getattr(found.maker.settings, "form", None) == "printable" and found.stock.unprintable_mm is None:
        reason = f"is printable, and stock {found.stock_name} does not state its unprintable_mm"
        yield Fault(file, f"[{found.maker.name}]: form", reason, "state them in the stock, or use sheet")
    for number_, step in enumerate(found.steps, 1):
        if (
            step.use == "convert"
            and intent_of(step, found.stock) == "absolute"
            and not _get(step, "hard_proof")
        ):
            own = "intent" in step.origin
            place = f"step {number_} ({step.name}): intent" if own else "intent"
            reason = (
                f"{INTENTS['absolute']} prints the picture's white as a tint that ends at the picture's edge"
            )
            guess = (
                "it is for imitating another paper: set hard_proof and that paper's profile, or use relative"
            )
            yield Fault(file if own else f"stocks/{found.stock_name}.toml", place, reason, guess)


def chain_advice(found: Resolved) -> Iterator[Advice]:
    """The order of the chain, and moves that are larger than their place bears."""
    file = found.recipe.file
    first_at: dict[str, int] = {}
    for index, step in enumerate(found.steps):
        first_at.setdefault(step.use, index)
    if set(first_at) <= set(KNOWN):
        for use, why in _WANTED.items():
            if use not in first_at:
                yield Advice(file, f"has no {use} step: {why}")
    for first, then, why in _ORDER:
        if first in first_at and then in first_at and first_at[first] > first_at[then]:
            yield Advice(f"{file}: {first} after {then}", f"{why}; put {first} before {then}")
    if "convert" in first_at:
        yield from _early(found, first_at["convert"])
        yield from _large(found, first_at["convert"])


def _early(found: Resolved, convert: int) -> Iterator[Advice]:
    for step in found.steps[:convert]:
        where = f"{found.recipe.file}: {step.name} before convert"
        if step.use in ("tone-lift", "balance"):
            yield Advice(where, "works there on RGB only: a grey or CMYK picture will be held")
        elif step.use == "sharpen":
            yield Advice(
                where,
                "weighs lightness by the picture's own space; after convert it is weighed as this paper shows it",
            )


def _large(found: Resolved, convert: int) -> Iterator[Advice]:
    """Shifts add and contrasts multiply, so what counts is the sum of all steps after `convert`."""
    later = [step for step in found.steps[convert:] if step.use in ("tone-lift", "balance")]
    lift, contrast = 0.0, 1.0
    inks = dict.fromkeys(INKS, 0.0)
    for step in later:
        lift += float(_get(step, "lift_L") or 0)
        contrast *= float(_get(step, "contrast") or 1)
        for ink in INKS:
            inks[ink] += float(_get(step, ink) or 0)
    names = " and ".join(step.name for step in later)
    where, move = f"{found.recipe.file}: {names}", "put the same step before convert for so large a move"
    if abs(lift) > MOST_LIFT_L:
        told = f"lift_L {number(lift)} after convert is more than {number(MOST_LIFT_L)}"
        yield Advice(where, f"{told}: saturated colours lag behind greys and look heavy; {move}")
    if not CONTRASTS[0] <= contrast <= CONTRASTS[1]:
        told = f"contrast {number(contrast)} after convert is outside {CONTRASTS[0]} to {CONTRASTS[1]}"
        yield Advice(where, f"{told}: saturated colours turn in hue; {move}")
    for ink, cc in inks.items():
        if abs(cc) > MOST_CC:
            told = f"{number(cc)} CC of {ink} after convert is more than {number(MOST_CC)}"
            yield Advice(where, f"{told}: this is no longer a cast of the paper; {move}")


def stock_advice(found: Resolved, profile: ProfileWords | None = None) -> Iterator[Advice]:
    """What the stock leaves open, and settings that have no effect or a bad one. `profile`: what the stock's says of itself."""
    stock, file = found.stock, f"stocks/{found.stock_name}.toml"
    if profile is not None and not profile.of_printer:
        yield Advice(
            f"{file}: profile",
            f'"{profile.description}" describes no printer: its sheets would be made for a screen or a working space; '
            "name the profile of this paper on this printer",
        )
    ticket = stock.ticket
    if ticket.driver_colour not in ("", "off"):
        yield Advice(
            f"{file}: ticket.driver_colour",
            f"is '{ticket.driver_colour}': colour would be handled twice; set it off",
        )
    if ticket.scaling not in ("", "none"):
        yield Advice(
            f"{file}: ticket.scaling",
            f"is '{ticket.scaling}': sheets are made at their exact size; set it none",
        )
    if stock.strip_quality and stock.strip_quality != ticket.quality:
        text = (
            f"is '{stock.strip_quality}' where finals print at '{ticket.quality or 'a quality not stated'}'"
        )
        yield Advice(
            f"{file}: strip_quality", f"{text}: such strips tell about crop and sharpness, not about colour"
        )
    if stock.unprintable_mm is None:
        yield Advice(
            file,
            "states no unprintable_mm: a driver may clip or shift the sheet; measure with drydown check --sheet",
        )
    if stock.dry_minutes is None:
        yield Advice(file, "states no dry_minutes: a print judged wet is judged wrong")
    for step in found.steps:
        if step.use == "convert":
            yield from _compensation(step, found, file, profile.major_version if profile else None)
    yield from _grain(found, file)


def _compensation(step: Complete, found: Resolved, file: str, major_version: int | None) -> Iterator[Advice]:
    own = _get(step, "black_point_compensation")
    wanted = found.stock.black_point_compensation if own is None else bool(own)
    intent = intent_of(step, found.stock)
    where = f"{found.recipe.file if own is not None else file}: black_point_compensation"
    if intent == "absolute" and wanted:
        yield Advice(where, f"has no effect: {INTENTS['absolute']} never compensates")
    if intent == "perceptual" and major_version is not None and major_version >= 4 and not wanted:
        yield Advice(
            where, "false has no effect: a version 4 profile's perceptual conversion always compensates"
        )


def _grain(found: Resolved, file: str) -> Iterator[Advice]:
    """A leaf lies flat only where the paper's grain runs along the binding edge."""
    if found.stock.grain is None or found.recipe.binding_mm is None:
        return
    side = found.recipe.bound_side()
    upright = "long" if side in ("left", "right") else "short"
    on_its_side = "short" if upright == "long" else "long"
    for edge, how in ((upright, "an upright picture"), (on_its_side, "a picture on its side")):
        if edge != found.stock.grain:
            text = f"runs along the {found.stock.grain} side, and {how} binds along the {edge} one: the leaf will not lie flat"
            yield Advice(f"{file}: grain", text)


def shared_profiles(stocks: Mapping[str, StockFile]) -> Iterator[Advice]:
    """One profile on stocks that lay down ink differently: it is right for one of them at most."""
    for (one, mine), (other, theirs) in combinations(sorted(stocks.items()), 2):
        if mine.profile != theirs.profile:
            continue
        here, there = mine.ticket.stated(), theirs.ticket.stated()
        differ = [key for key in INK_KEYS if key in here and key in there and here[key] != there[key]]
        if differ:
            keys = ", ".join(f"{key} {here[key]} and {there[key]}" for key in differ)
            where = f"stocks/{one}.toml and stocks/{other}.toml"
            yield Advice(
                where, f"share {mine.profile}, and differ in {keys}: a profile holds for one way of printing"
            )


def intent_of(step: Complete, stock: StockFile) -> Intent:
    """The intent of a convert step: its own, or the stock's."""
    own: Intent | None = _get(step, "intent")
    return own or stock.intent


def _get(step: Complete, name: str) -> Any:
    return getattr(step.settings, name, None)
