"""From rankings that the ledger remembers to what they say of the printer: every strip of one picture, read together.

Reads rows and facts, and thinks; so it runs in the process of whoever asks, never in the daemon's loop.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from drydown.api import Box
from drydown.errors import Conflict, NotFound
from drydown.jobs.ledger_view import LedgerView
from drydown.jobs.spec import JobSpec
from drydown.proofing.settle import HOLDS, numbers, step_of
from drydown.service.picks import ranking_of
from drydown.service.strips import PrintedStrip, printed_strip, stock_print
from drydown.studio.guess import listed

if TYPE_CHECKING:
    from drydown.proofing.posterior import Posterior
    from drydown.proofing.proof import Judged, Proof
    from drydown.proofing.roles import Role

LOOK_BACK = 500  #: so many completed jobs are looked through for strips of the same picture


@dataclass(frozen=True, slots=True)
class Ranked:
    """A strip and the best patches of it, in order."""

    printed: PrintedStrip
    patches: tuple[str, ...]
    still_off: bool = False  #: the best one does not look right either


def ranked_strip(printed: PrintedStrip, names: Sequence[str], *, still_off: bool = False) -> Ranked:
    """A ranking as it was typed. Raises NotFound for a patch that is not there, Conflict for one that cannot be read backwards."""
    patches = [printed.strip.patch(name) for name in names]
    found = tuple(patch.name for patch in patches)
    if len(set(found)) < len(found):
        raise Conflict(f"{' '.join(found)} names a patch twice; each can stand in one place only")
    if others := sorted({patch.name for patch in patches if patch.picture}):
        raise Conflict(
            f"{listed(others)} shows another picture of this group, and only the first one's is known well enough to read a ranking: "
            "choose one patch for it, with --picture"
        )
    return Ranked(printed, found, still_off)


def same_picture(ledger: LedgerView, newest: Ranked) -> list[Ranked]:
    """Every ranked strip of the same picture on the same paper and ink, oldest first; `newest`, ranked just now, is the last."""
    digest = newest.printed.row.result_data.get("source_blake3")
    found = []
    for row in ledger.jobs(["completed"], limit=LOOK_BACK):
        if row.id == newest.printed.row.id or not digest or f'"{digest}"' not in row.result_json:
            continue
        try:
            earlier = remembered(ledger, printed_strip(row)) if ranking_of(ledger, row.id) else None
        except (Conflict, NotFound):
            continue
        if earlier is not None and _belongs(earlier.printed, newest.printed):
            found.append(earlier)
    return [*sorted(found, key=lambda one: one.printed.row.seq), newest]


def remembered(ledger: LedgerView, printed: PrintedStrip) -> Ranked | None:
    """The ranking of a strip that the ledger remembers, if any. Raises NotFound, Conflict where it does not fit the strip."""
    ranking = ranking_of(ledger, printed.row.id)
    if ranking is None:
        return None
    return ranked_strip(printed, ranking.patches, still_off=ranking.still_off)


def posterior_of(strips: Sequence[Ranked]) -> Posterior:
    """What is believed of the printer's error after these rankings. Raises Conflict where they cannot be read backwards. Loads the profile."""
    from drydown.proofing.posterior import infer

    try:
        return infer(_proof(strips), [_judged(one) for one in strips])
    except ValueError as error:
        raise Conflict(str(error)) from error


@dataclass(frozen=True, slots=True)
class View:
    """What a screen picture of a proposal is made from: a patch of a written sheet, and by how much each setting moves (contrast: a factor)."""

    sheet: Path
    patch: Box
    moves: Mapping[str, float]
    to: Path  #: beside the strip's preview


def view_of(printed: PrintedStrip, values: Mapping[str, float]) -> View | None:
    """The strip's centre patch, and the way from there to `values`; None where the sheet is gone."""
    sheet, centre = printed.row.sheet, _centre_box(printed)
    if sheet is None or centre is None or not sheet.is_file():
        return None
    moves: dict[str, float] = {}
    for key, role in roles_of(printed, values).items():
        stood = _stood(printed, key)
        moves[role] = values[key] / stood if role == "contrast" else values[key] - stood
    return View(sheet, centre, moves, sheet.with_name(f"{printed.row.prefix}.proposal.jpg"))


def _centre_box(printed: PrintedStrip) -> Box | None:
    for patch in _maker_record(printed)["patches"]:
        if patch.get("centre") and not patch.get("picture"):
            return Box(*(int(side) for side in patch["box_px"]))
    return None


def _proof(strips: Sequence[Ranked]) -> Proof:
    """What all strips share. The oldest tells what the recipe was meant to look like, before anything was taken from a strip."""
    from drydown.proofing.proof import Proof

    first = strips[0].printed
    keys = dict.fromkeys(key for one in strips for key in one.printed.strip.vary)
    record = _maker_record(first)
    return Proof(
        icc=first.spec.stock.profile.read_bytes(),
        samples=record["samples"],
        roles=roles_of(first, keys),
        base={key: _stood(first, key) for key in roles_of(first, keys)},
        carried=[key for key in keys if key not in first.strip.vary],
        hold_lightness=any(step.use == "balance" and step.settings.get(HOLDS) for step in first.spec.steps),
    )


def _judged(one: Ranked) -> Judged:
    from drydown.proofing.proof import Judged

    strip = one.printed.strip
    own = {patch.name: numbers(patch.values) for patch in strip.patches if patch.picture == 0}
    return Judged(patches=own, ranking=one.patches, still_off=one.still_off)


def roles_of(printed: PrintedStrip, keys: Iterable[str] | None = None) -> dict[str, Role]:
    """What each of the settings does to a print; those that no ranking can tell of are left out. `keys`: default, what the strip varies."""
    wanted = printed.strip.vary if keys is None else keys
    return {key: role for key in wanted if (role := _role(printed, key)) is not None}


def _role(printed: PrintedStrip, key: str) -> Role | None:
    from drydown.proofing.roles import role_of

    return role_of(printed.uses.get(step_of(key), ""), key.partition(".")[2])


def _stood(printed: PrintedStrip, key: str) -> float:
    """Where a setting stood when the strip was made, whether the strip varied it or not."""
    value: Any = printed.strip.base.get(key)
    if key not in printed.strip.base:
        step = next((step for step in printed.spec.steps if step.name == step_of(key)), None)
        value = None if step is None else step.settings.get(key.partition(".")[2])
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise Conflict(
            f"{key} was no number on the strip of job {printed.row.id}, so a ranking says nothing of it"
        )
    return float(value)


def _maker_record(printed: PrintedStrip) -> Mapping[str, Any]:
    result = printed.row.result
    record = {} if result is None else result.record["maker"]
    if not record.get("samples"):
        raise Conflict(
            f"the strip of job {printed.row.id} keeps no samples of its region, so a ranking cannot be read; choose one patch"
        )
    found: Mapping[str, Any] = record
    return found


def _belongs(earlier: PrintedStrip, newest: PrintedStrip) -> bool:
    """Whether two strips say something of the same printer about the same look: same paper and ink, same recipe but for what they vary."""
    if earlier.spec.recipe != newest.spec.recipe or stock_print(earlier.spec).differences(
        stock_print(newest.spec)
    ):
        return False
    if any(_role(earlier, key) is None for key in earlier.strip.vary):
        return False
    sought = {*earlier.strip.vary, *newest.strip.vary, *_settled(earlier.spec), *_settled(newest.spec)}
    return list(_written(earlier.spec, sought)) == list(_written(newest.spec, sought))


def _settled(spec: JobSpec) -> Iterator[str]:
    for step in spec.steps:
        yield from (f"{step.name}.{key}" for key, origin in step.origin.items() if origin == "settled")


def _written(spec: JobSpec, sought: set[str]) -> Iterator[tuple[str, str, dict[str, Any]]]:
    """The steps without the settings that strips vary or have settled: these are what is being looked for."""
    for step in spec.steps:
        kept = {key: value for key, value in step.settings.items() if f"{step.name}.{key}" not in sought}
        yield step.name, step.use, kept
