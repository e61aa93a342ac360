"""Choosing: what a person has judged right on a strip becomes the recipe's settled values. Done by whoever holds the ledger.

The hand-written recipe is never touched. What is not as it was when the strip was made is refused or said, never passed over.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from drydown.api import Value
from drydown.errors import Conflict, DrydownError, Exit, Fault
from drydown.jobs.requests import Answer
from drydown.proofing.settle import changes, colour_keys
from drydown.service.picks import Pick, Ranking, remember, varied
from drydown.service.strips import (
    PrintedStrip,
    printed_strip,
    published_s,
    standing,
    steps_changed,
    stock_print,
)
from drydown.service.studio_now import from_now_on, studio_now
from drydown.service.workshop import Workshop
from drydown.studio.guess import did_you_mean, listed
from drydown.studio.layers import settled_faults
from drydown.studio.resolve import Resolved, resolve
from drydown.studio.settled import (
    Choice,
    SettledFile,
    fingerprint,
    hash_file,
    settled_path,
    write_settled,
)
from drydown.studio.studio import FINAL, Studio


class BadChoice(DrydownError):
    """What was asked for cannot be a value of that recipe."""

    exit_code = Exit.USAGE


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What a command asks for, as plain values."""

    job: str
    patches: tuple[str, ...] = ()  #: one; two to choose between; or a few in the order of liking
    said: str = ""  #: the choice in words, for the settled file: `B3`, `B2 to B3 at 0.4`
    settings: Mapping[str, Value] = field(default_factory=dict)  #: `balance.magenta` -> 10
    unset: tuple[str, ...] = ()  #: settings that go back to what stock and recipe say
    typed: tuple[str, ...] = ()  #: those of `settings` that were typed in, and are not from the strip
    ranked: bool = False  #: `patches` is a ranking, to be remembered as one
    still_off: bool = False  #: the best patch does not look right either
    keep: bool = True  #: False: look only, settle nothing
    picture: bool = False  #: for one picture alone: its own file is written elsewhere
    anyway: bool = False
    light: str = ""
    printed: str = ""  #: when it was printed, ISO 8601; empty: when it came out

    @classmethod
    def of(cls, args: Mapping[str, Any]) -> Wish:
        """From a request's arguments."""
        given = dict(args)
        return cls(**given | {key: tuple(value) for key, value in given.items() if isinstance(value, list)})


def choose(workshop: Workshop, args: Mapping[str, Any]) -> Answer:
    """Settle and remember. The answer's data: recipe, file, changes [key, old, new], warnings, and whether it was written.

    Raises NotFound, Conflict, BadChoice, StudioError, Hold, OSError.
    """
    wish, ledger = Wish.of(args), workshop.desk.publisher.ledger
    printed = printed_strip(ledger.job(wish.job))
    for name in wish.patches:
        printed.strip.patch(name)
    studio = studio_now(workshop)
    spec, keys = printed.spec, (*wish.settings, *wish.unset)
    now = resolve(studio, recipe=spec.recipe)
    _refuse(wish, printed, now)
    before = studio.settled.get(spec.recipe)
    choice = _choice(workshop, wish, printed, before, wish.light or spec.light or now.light)
    after = SettledFile(recipe=spec.recipe, now=choice) if before is None else before.with_(choice)
    _check_limits(studio, spec.recipe, after)
    told = changes(standing(now, keys), {**wish.settings, **dict.fromkeys(wish.unset)})
    finals = [hot for hot in studio.hot_folders if (hot.recipe, hot.sheet_maker) == (spec.recipe, FINAL)]
    if keys and wish.keep and not wish.picture:
        write_settled(workshop.places.root, after)
        from_now_on(workshop, {spec.recipe: after})
    _remember(workshop, wish, printed)
    workshop.log.write(
        "chosen",
        printed.row.id,
        recipe=spec.recipe,
        patch=wish.said,
        values=dict(wish.settings),
        kept=wish.keep,
    )
    data = {
        "job": printed.row.id,
        "recipe": spec.recipe,
        "file": f"recipes/{settled_path(workshop.places.root, spec.recipe).name}",
        "changes": [[change.key, change.old, change.new] for change in told],
        "folder": str(finals[0].path) if finals else "",
        "warnings": list(_warnings(wish, printed, choice, studio)),
        "light": choice.light,
        "minutes": choice.minutes,
        "written": bool(keys) and wish.keep and not wish.picture,
    }
    return Answer(Exit.OK, "", data)


def _refuse(wish: Wish, printed: PrintedStrip, now: Resolved) -> None:
    """What must not be settled. Raises Conflict, BadChoice."""
    spec, names = printed.spec, [step.name for step in now.steps]
    for key in (*wish.settings, *wish.unset):
        name, _, setting = key.partition(".")
        step = now.step(name)
        if step is None or not setting:
            guess = did_you_mean(name, names, f"it has {listed(names)}")
            raise BadChoice(
                f"'{key}' is no setting of recipe {spec.recipe}: it has no step '{name}'; {guess}"
            )
        known = list(type(step.settings).model_fields)
        if setting not in known:
            raise BadChoice(
                f"step {name} has no setting '{setting}'; {did_you_mean(setting, known, f'it has {listed(known)}')}"
            )
    chosen = {*printed.strip.vary, *wish.settings, *wish.unset}
    if changed := steps_changed(spec, now, chosen):
        raise Conflict(
            f"recipe {spec.recipe} has changed since this strip was made ({'; '.join(changed)}), so its patches no longer show "
            "what the recipe prints. Print a new strip, and choose from that"
        )
    taken = [key for key in wish.settings if key not in wish.typed]
    colours = colour_keys(taken, printed.uses)
    if printed.strip.other_quality and colours and not wish.anyway:
        raise Conflict(
            f"this strip was printed at quality '{printed.strip.other_quality}', not at the final's: it tells about crop and sharpness, "
            f"not about colour ({listed(colours)}). Print a strip at the final's quality, or choose --anyway"
        )


def _choice(
    workshop: Workshop, wish: Wish, printed: PrintedStrip, before: SettledFile | None, light: str
) -> Choice:
    """The whole set of values from now on. What was settled on another paper or ink is not carried over."""
    stock = stock_print(printed.spec)
    kept = dict(before.now.values) if before is not None and not before.now.stock.differences(stock) else {}
    values = {key: value for key, value in {**kept, **wish.settings}.items() if key not in wish.unset}
    clock = workshop.desk.publisher.clock
    return Choice(
        values=values,
        job=printed.row.id,
        patch=wish.said,
        date=datetime.fromtimestamp(clock()).astimezone().isoformat(timespec="seconds"),
        light=light,
        minutes=_minutes(workshop, wish, printed, clock()),
        stock=stock,
    )


def _minutes(workshop: Workshop, wish: Wish, printed: PrintedStrip, now_s: float) -> int | None:
    """From printing, or else from publishing, to now; None where neither is known."""
    out = published_s(workshop.desk.publisher.ledger.events(printed.row.id))
    since = out
    if wish.printed:
        since = datetime.fromisoformat(wish.printed).timestamp()
        if out is not None and since < out - 60:
            made = datetime.fromtimestamp(out)
            raise BadChoice(
                f"the strip cannot have been printed at {wish.printed[11:16]}: it was made at {made:%H:%M on %Y-%m-%d}"
            )
    return None if since is None else max(0, int((now_s - since) // 60))


def _check_limits(studio: Studio, recipe: str, settled: SettledFile) -> None:
    """Raises BadChoice naming every value that a step does not take."""
    faults = settled_faults(studio.recipes[recipe], settled, studio.offers, file="", root=studio.root)
    if faults:
        raise BadChoice("; ".join(_told(fault) for fault in faults))


def _told(fault: Fault) -> str:
    return f"{fault.place.replace(': ', '.')} {fault.reason}" + (f"; {fault.guess}" if fault.guess else "")


def _warnings(wish: Wish, printed: PrintedStrip, choice: Choice, studio: Studio) -> Iterator[str]:
    dry = printed.spec.stock.dry_minutes
    if wish.patches and dry is not None and choice.minutes is not None and choice.minutes < dry:
        since = "printing" if wish.printed else "it was made"
        yield (
            f"judged {choice.minutes} min after {since}, and {printed.spec.stock.name} dries for {dry} min: "
            f"what you judge wet is not yet what you will hand over; look again in {dry - choice.minutes} min"
        )
    if not choice.light:
        yield 'the light is not stated: say it with --light "D50 500 lx", or write light = "…" into the recipe'
    name = studio.recipes[printed.spec.recipe].stock
    here = fingerprint(name, studio.stocks[name], hash_file(studio.profile(name)))
    if changed := choice.stock.differences(here):
        yield f"the stock is no longer what the strip was printed on ({'; '.join(changed)}): these values stay out until a strip of it is judged"
    if printed.strip.other_quality:
        yield f"the strip was printed at another quality ({printed.strip.other_quality})"


def _remember(workshop: Workshop, wish: Wish, printed: PrintedStrip) -> None:
    """What the next strip starts from."""
    ledger, now = workshop.desk.publisher.ledger, workshop.desk.publisher.clock()
    if wish.ranked:
        remember(ledger, printed.row.id, Ranking(wish.patches, now, wish.still_off))
    elif wish.keep and wish.patches:
        remember(ledger, printed.row.id, Pick(varied(printed, wish.settings), wish.said, now))
