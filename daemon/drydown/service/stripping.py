"""Strips that a command asks for: the next one of a picture, a first one of a picture that was printed already, and one of several pictures.

Each is a job of its own with copies of the pictures, so that the jobs it came from stay as they are.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from drydown.errors import Conflict, NotFound
from drydown.jobs.ledger_rows import JobRow
from drydown.jobs.spec import JobSpec
from drydown.service.copies import Original, arrival_of, companions_in, copied_in, original_of
from drydown.service.reception import RUN, Order
from drydown.service.strips import printed_strip
from drydown.service.workshop import Workshop
from drydown.studio.guess import listed
from drydown.studio.resolve import Resolved, resolve
from drydown.studio.settings import HotFolder

TEST_STRIP = "test-strip"  #: the sheet maker of a strip that no hot folder asks for
POINTS = "points"  #: the setting of a strip's sheet maker that names its patches one by one
MOST_PICTURES = 6


@dataclass(frozen=True, slots=True)
class Place:
    """Where a strip is made: a proof folder of the recipe, or nowhere in particular."""

    hot_folder: str
    maker: str
    sheet: str | None


def strip(workshop: Workshop, args: Mapping[str, Any]) -> list[JobRow]:
    """Make the job of a strip. `args`: jobs, next (with points, as JSON), sheet.

    Raises NotFound, Conflict, Hold, StudioError, OSError.
    """
    ledger = workshop.desk.publisher.ledger
    rows = [ledger.job(name) for name in dict.fromkeys(args["jobs"])]
    if len(rows) > MOST_PICTURES:
        raise Conflict(
            f"a strip holds up to {MOST_PICTURES} pictures, one region each; {len(rows)} were asked for"
        )
    if args.get("next"):
        if len(rows) != 1:
            raise Conflict("the next strip is of one picture; name one job with --next")
        return [_next(workshop, rows[0], json.loads(args["points"]))]
    return [_group(workshop, rows, args.get("sheet"))]


def _next(workshop: Workshop, row: JobRow, points: Sequence[Mapping[str, Any]]) -> JobRow:
    spec = printed_strip(row).spec
    place = _same_place(workshop, row, spec)
    _refuse_second(workshop, [row], place.maker)
    asked = own_settings(spec)
    asked.setdefault(spec.maker.name, {})[POINTS] = [dict(point) for point in points]
    return _made(workshop, [original_of(workshop.places, row)], spec, place, [asked])


def _group(workshop: Workshop, rows: Sequence[JobRow], sheet: str | None) -> JobRow:
    """One strip of one or several pictures, as the recipe's own table of the sheet maker says."""
    specs = [_spec(row) for row in rows]
    recipes = list(dict.fromkeys(spec.recipe for spec in specs))
    if len(recipes) > 1:
        raise Conflict(f"one strip shows one recipe; these jobs are of {listed(recipes)}")
    stock = (
        workshop.house.studio.stock_of(recipes[0]) if recipes[0] in workshop.house.studio.recipes else None
    )
    if len(rows) > 1 and stock is not None and not stock.refeed:
        name = workshop.house.studio.recipes[recipes[0]].stock
        raise Conflict(
            f"stock {name} does not say that a printed sheet may be fed again, which several pictures on one strip ask for: "
            f"write refeed = true into stocks/{name}.toml where printer and paper allow it"
        )
    place = _proof_place(workshop, recipes[0], sheet)
    _refuse_second(workshop, rows, place.maker)
    originals = [original_of(workshop.places, row) for row in rows]
    return _made(workshop, originals, specs[0], place, [own_settings(spec) for spec in specs])


def _made(
    workshop: Workshop,
    originals: Sequence[Original],
    spec: JobSpec,
    place: Place,
    asked: Sequence[Mapping[str, Any]],
) -> JobRow:
    """Everything is resolved before anything is copied, so that what cannot be planned is said and leaves nothing behind."""
    studio = workshop.house.studio
    found = [
        resolve(
            studio,
            recipe=spec.recipe,
            maker=place.maker,
            sheet=place.sheet,
            picture=own,
            picture_name=f"what job {one.row.id} was made with",
        )
        for own, one in zip(asked, originals, strict=True)
    ]
    if not found[0].profile.is_file():
        raise NotFound(
            f"the profile of stock {found[0].stock_name} is not at {workshop.places.shown(found[0].profile)}; put it back"
        )
    claimed = copied_in(workshop, originals[0])
    companions = tuple(
        companion.model_copy(update={"settings": other_settings(found[0], theirs)})
        for companion, theirs in zip(companions_in(claimed, originals[1:]), found[1:], strict=True)
    )
    order = Order(
        spec.recipe,
        place.maker,
        place.sheet,
        spec.anyway,
        asked=asked[0],
        companions=companions,
        stem=spec.stem,
    )
    return workshop.reception.arrived(arrival_of(claimed, originals[0], place.hot_folder), order)


def own_settings(spec: JobSpec) -> dict[str, Any]:
    """What a picture's own file had said when its first job was planned, table by table; not the points that a command had asked for."""
    own: dict[str, Any] = {}
    for step in (*spec.steps, spec.maker):
        asked = {POINTS} & set(spec.asked.get(step.name, {}))
        brought = {
            key: value
            for key, value in step.settings.items()
            if step.origin.get(key) == "picture" and key not in asked
        }
        if brought:
            own[step.name] = brought
    return own


def other_settings(first: Resolved, other: Resolved) -> dict[str, Any]:
    """What differs in the steps of another picture of the same recipe, `step.setting` -> value."""
    return {
        f"{step.name}.{key}": value
        for step, base in zip(other.steps, first.steps, strict=True)
        for key, value in step.values().items()
        if value != base.values().get(key)
    }


def _spec(row: JobRow) -> JobSpec:
    try:
        spec = row.spec
    except ValueError:
        spec = None
    if spec is None:
        raise Conflict(f"job {row.id} has no plan that this program can read; drop its picture again")
    return spec


def _refuse_second(workshop: Workshop, rows: Sequence[JobRow], maker: str) -> None:
    """One strip at a time for one picture: the second would be laid without knowing what the first will show."""
    wanted = {row.id for row in rows}
    for live in workshop.desk.publisher.ledger.live():
        plan = live.spec_data
        if (plan.get("maker") or {}).get("use") != maker:
            continue
        others = {companion.get("job", "") for companion in plan.get("companions") or ()}
        if both := wanted & {live.again_of, *others}:
            raise Conflict(
                f"a strip of job {min(both)} is under way already (job {live.id}, {live.state}): judge that one first, "
                f"or cancel it: drydown cancel {live.id}"
            )


def _same_place(workshop: Workshop, row: JobRow, spec: JobSpec) -> Place:
    """The hot folder that the first strip came from, as long as it still makes such strips."""
    for hot in workshop.house.studio.hot_folders:
        if (hot.name, hot.recipe, hot.sheet_maker) == (row.hot_folder, spec.recipe, spec.maker.use):
            return Place(hot.name, hot.sheet_maker, hot.sheet)
    return Place(RUN, spec.maker.use, spec.sheet.name)


def _proof_place(workshop: Workshop, recipe: str, sheet: str | None) -> Place:
    """The recipe's proof folder; else its stock's smallest sheet. `sheet` asks for another."""
    studio = workshop.house.studio
    if sheet is None:
        folder = next(_proof_folders(studio.hot_folders, recipe), None)
        if folder is not None:
            return Place(folder.name, folder.sheet_maker, folder.sheet)
        if recipe not in studio.recipes:
            raise NotFound(
                f"there is no recipe {recipe} any more; recipes/ has {listed(sorted(studio.recipes))}"
            )
        smallest = min(studio.stock_of(recipe).kept(), key=lambda kept: kept.size.width * kept.size.height)
        sheet = smallest.name
    return Place(RUN, TEST_STRIP, sheet)


def _proof_folders(folders: Sequence[HotFolder], recipe: str) -> Iterator[HotFolder]:
    return (hot for hot in folders if hot.recipe == recipe and hot.sheet_maker == TEST_STRIP)
