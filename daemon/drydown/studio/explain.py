"""The studio in words: what each hot folder will do with a picture, what would spoil it, and what a careful printmaker would change.

Whether a picture, its slug or a patch enters the edges that the printer cannot reach is geometry, and handed in; so is what a profile says of itself.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Protocol

from drydown.api import EdgesMm, Sheet
from drydown.errors import Fault
from drydown.studio.advice import (
    Advice,
    chain_advice,
    chain_faults,
    intent_of,
    shared_profiles,
    stock_advice,
)
from drydown.studio.guess import listed
from drydown.studio.layers import Complete
from drydown.studio.profiles import ProfileWords
from drydown.studio.resolve import Resolved, resolve, resolve_hot
from drydown.studio.settings import HotFolder
from drydown.studio.studio import FINAL, Studio
from drydown.studio.words import INTENTS, edges, number, setting, size


class PlacementFaults(Protocol):
    """Geometry's answer: what cannot be printed of a sheet with these margins, whichever way the picture turns it; fragments."""

    def __call__(
        self, sheet: Sheet, margins_mm: EdgesMm, unprintable_mm: EdgesMm | None, /, *, slug: bool
    ) -> list[str]: ...


@dataclass(frozen=True, slots=True)
class Told:
    """What happens in one hot folder, or by one recipe that no hot folder uses."""

    name: str  #: `hot/final`, or `run shoreline`
    paragraphs: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Explanation:
    """The studio in words. `faults` are what would spoil sheets though every file is well written."""

    told: tuple[Told, ...]
    advice: tuple[Advice, ...] = ()
    faults: tuple[Fault, ...] = ()

    def text(self) -> str:
        """All of it, for a terminal."""
        parts = ["\n".join([told.name, *(f"  {line}" for line in told.paragraphs)]) for told in self.told]
        if self.advice:
            parts.append("\n".join(["Advice", *(f"  {advice}" for advice in self.advice)]))
        if self.faults:
            parts.append("\n".join(["Faults", *(f"  {fault}" for fault in self.faults)]))
        return "\n\n".join(parts)


def explain(
    studio: Studio,
    *,
    profiles: Mapping[str, ProfileWords] | None = None,
    placement_faults: PlacementFaults | None = None,
) -> Explanation:
    """Every hot folder, and every recipe that is in none of them. `profiles` is by stock."""
    words = profiles or {}
    told: list[Told] = []
    advice: dict[Advice, None] = {}
    faults: dict[Fault, None] = {}
    for name, hot, found in _all(studio):
        if isinstance(found, str):
            told.append(Told(name, (found,)))
            continue
        profile = words.get(found.stock_name)
        told.append(Told(name, tuple(_paragraphs(studio, found, hot, profile))))
        advice |= dict.fromkeys(chain_advice(found))
        advice |= dict.fromkeys(stock_advice(found, profile))
        advice |= dict.fromkeys(
            Advice(f"recipes/{found.recipe.name}.settled.toml", note) for note in found.notes
        )
        faults |= dict.fromkeys(chain_faults(found))
        if placement_faults is not None:
            faults |= dict.fromkeys(_placement(found, placement_faults))
    advice |= dict.fromkeys(shared_profiles(studio.stocks))
    return Explanation(tuple(told), tuple(advice), tuple(faults))


def _all(studio: Studio) -> Iterator[tuple[str, HotFolder | None, Resolved | str]]:
    for hot in studio.hot_folders:
        name = (
            str(hot.path.relative_to(studio.root)) if hot.path.is_relative_to(studio.root) else str(hot.path)
        )
        off = studio.off_folders.get(hot.name) or studio.off.get(hot.recipe)
        yield name, hot, f"OFF: {off}" if off else resolve_hot(studio, hot)
    used = {hot.recipe for hot in studio.hot_folders}
    for recipe in studio.recipes:
        if recipe not in used:
            off = studio.off.get(recipe)
            if off or FINAL in studio.offers:
                yield f"run {recipe}", None, f"OFF: {off}" if off else resolve(studio, recipe=recipe)


def _placement(found: Resolved, placement_faults: PlacementFaults) -> Iterator[Fault]:
    if found.maker.use != FINAL:
        return
    slug = bool(getattr(found.maker.settings, "slug", True))
    for reason in placement_faults(found.final_sheet, found.margins_mm, found.stock.unprintable(), slug=slug):
        yield Fault(found.recipe.file, f"on {found.final_sheet.name}", reason)


def _paragraphs(
    studio: Studio, found: Resolved, hot: HotFolder | None, profile: ProfileWords | None
) -> Iterator[str]:
    yield f"Recipe {found.recipe.name}, ended by {found.maker.use}." + _manners(found, hot)
    yield _stock_words(found, profile)
    yield from _sheet_words(found)
    yield from _chain_words(found)
    yield _maker_words(found)
    yield from _ticket_words(found)
    where = hot.prints.relative_to(studio.root) if hot else f"prints/{found.recipe.name}"
    yield f"Sheets go to {where}/, each with a preview, a ticket and a record."


def _manners(found: Resolved, hot: HotFolder | None) -> str:
    said = ""
    if hot and hot.approve:
        said += " Each job waits after its preview until it is approved."
    if hot and hot.repeated:
        happens = {"hold": "waits for a person", "print": "is printed", "refuse": "is refused"}
        said += f" A picture dropped again for the same print {happens[hot.repeated]}."
    if found.copies > 1:
        said += f" {found.copies} copies."
    if found.edition:
        said += f" Edition {found.edition}."
    held = {"srgb": "is taken for sRGB, with a note", "hold": "is held for a person"}[found.untagged]
    return f"{said} A picture without a profile {held}."


def _stock_words(found: Resolved, profile: ProfileWords | None) -> str:
    stock = found.stock
    described = f' ("{profile.description}", ICC version {profile.major_version})' if profile else ""
    lot = f", lot {stock.lot}" if stock.lot else ""
    reach = stock.unprintable()
    unreached = f"not printable: {edges(reach)}" if reach else "unprintable edges NOT STATED"
    return f"Stock {found.stock_name}{lot}: {stock.profile}{described}, {number(stock.ppi)} pixels an inch; {unreached}."


def _sheet_words(found: Resolved) -> Iterator[str]:
    sheet, ppi = found.sheet, found.stock.ppi
    yield f"Sheet {sheet.name}: {size(sheet.size, ppi)}; {sheet.pwg}."
    final = found.final_sheet
    upright = found.margins_mm.inside(final.size)
    turned = found.margins_mm.inside(final.size.turned())
    aim = "" if final == sheet else f" of the final sheet {final.name}"
    yield f"Room for an upright picture{aim}: {size(upright, ppi)}; for one on its side: {size(turned, ppi)}."
    recipe = found.recipe
    margins = f"Margins {edges(found.margins_mm)}"
    if recipe.binding_mm is not None:
        leaf = "" if recipe.leaf == "single" else f", a {recipe.leaf}"
        margins += f"; bound at the {recipe.bound_side()} of the picture seen upright{leaf}"
    light = f"under {recipe.light}" if recipe.light else "the light is NOT STATED"
    yield f"{margins}. To be seen at {number(recipe.viewing_mm)} mm, {light}."


def _chain_words(found: Resolved) -> Iterator[str]:
    for index, step in enumerate(found.steps, 1):
        use = "" if step.name == step.use else f" ({step.use})"
        settings = _settings_words(step)
        extra = ""
        if step.use == "sharpen" and getattr(step.settings, "strength", 0) is None:
            extra = f": strength {setting(found.stock.sharpen_strength)} (stock)"
        if step.use == "convert":
            own = getattr(step.settings, "black_point_compensation", None)
            with_ = found.stock.black_point_compensation if own is None else own
            how = "with" if with_ else "without"
            extra = f": {INTENTS[intent_of(step, found.stock)]}, {how} black point compensation"
        yield f"{index}. {step.name}{use}{extra}" + (f"; {settings}." if settings else ".")


def _settings_words(part: Complete) -> str:
    """Each setting with where it comes from; what is not set and has no value is left to the step."""
    said = []
    for key, value in part.values().items():
        if value is not None or key in part.origin:
            said.append(f"{key} {setting(value)} ({part.origin.get(key, 'default')})")
    return ", ".join(said)


def _maker_words(found: Resolved) -> str:
    settings = _settings_words(found.maker)
    if getattr(found.maker.settings, "form", "") is None:
        form = "sheet" if found.stock.unprintable_mm is None else "printable"
        settings += f", form {form} (stock)"
    return f"Then {found.maker.use}" + (f": {settings}." if settings else ".")


def _ticket_words(found: Resolved) -> Iterator[str]:
    stock = found.stock
    stated = listed((f"{key} {text}" for key, text in stock.ticket.stated().items()), "nothing")
    missing = listed(stock.ticket.not_stated(), "")
    yield f"The ticket states {stated}." + (f" NOT STATED: {missing}." if missing else "")
    dry = (
        f"judge not before {stock.dry_minutes} min after printing"
        if stock.dry_minutes is not None
        else "drying time NOT STATED"
    )
    cure = (
        f"; {number(stock.cure_hours)} h before measuring, stacking or glazing"
        if stock.cure_hours is not None
        else ""
    )
    yield f"{dry[:1].upper()}{dry[1:]}{cure}."
