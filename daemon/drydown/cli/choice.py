"""What a person judged, turned into values: a patch, a point between two, the best few in order. Reads; whoever holds the ledger writes.

The thinking is done here, in the command's own process: a running daemon is only told the outcome.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import click

from drydown.api import Value
from drydown.cli.asking import ask_once, view
from drydown.cli.proof_words import chosen_words, proposal_words, settled_words, undone_words
from drydown.cli.settings_typed import typed_setting
from drydown.cli.show import below
from drydown.errors import Conflict, Exit
from drydown.jobs.ledger_rows import JobRow
from drydown.jobs.ledger_view import LedgerView
from drydown.proofing.settle import Values, between, is_fine, numbers, patch_ranges
from drydown.service.picks import IN_ORDER, Pick, pick_of, ranking_of
from drydown.service.strips import PrintedStrip, as_laid_down, dropped_name, printed_strip
from drydown.showing import shown

FULL = (
    25  #: patches of a strip that a ranking is read from: more tell more, and so many still have 25 mm each
)
_HOLDS_ALL_mm2 = 60_000  # letter and A4 hold that many beside the legend, smaller sheets do not


@dataclass
class Asked:
    """A strip, and what every way of choosing from it has in common."""

    root: Path
    ledger: LedgerView
    row: JobRow
    common: Mapping[str, Any]

    @cached_property
    def printed(self) -> PrintedStrip:
        """The strip of the job. Raises Conflict where there is none."""
        return printed_strip(self.row)

    @property
    def patch_names(self) -> str:
        """The patches in short."""
        return patch_ranges(self.printed.strip.names())

    def ask(self, settings: Values, **more: Any) -> dict[str, Any]:
        """Have it settled. Answers what was done."""
        given = {key: value for key, value in settings.items() if value is not None}
        unset = [key for key, value in settings.items() if value is None]
        args = {"job": self.row.id, "settings": given, "unset": unset, **self.common, **more}
        return ask_once(self.root, "choose", args)


def picked(asked: Asked, patches: Sequence[str], at: float, sets: Sequence[str]) -> int:
    """One patch, or a point between two, and what was typed in over it."""
    strip = asked.printed.strip
    found = [strip.patch(name) for name in patches]
    typed = dict(typed_setting(text, "STEP.SETTING=VALUE, such as balance.magenta=10") for text in sets)
    values: dict[str, Value | None] = {}
    if len(found) == 2:
        values = between(found[0].values, found[1].values, at)
        said = f"{found[0].name} to {found[1].name} at {at:g}"
    else:
        values = dict(found[0].values) if found else {}
        said = found[0].name if found else ""
    if typed:
        said = f"{said}, and by hand" if said else "by hand"
    values = {**as_laid_down(asked.printed, values), **typed}
    names = [patch.name for patch in found]
    data = asked.ask(values, patches=names, typed=list(typed), said=said)
    _tell(data, said)
    if asked.common.get("picture"):
        _write_own(asked, data, values, found[0].picture if found else 0, said)
    return Exit.OK


def undo(root: Path, job: str) -> int:
    """Go back one choice."""
    for line in undone_words(ask_once(root, "choose", {"job": job, "undo": True})):
        click.echo(line)
    return Exit.OK


def ranked(asked: Asked, patches: Sequence[str], *, still_off: bool, yes: bool) -> int:
    """The best few in order: what they say of the printer is proposed, and settled with `yes`. Remembered in either case."""
    from drydown.proofing.proposal import propose
    from drydown.service.rankings import posterior_of, ranked_strip, same_picture

    newest = ranked_strip(asked.printed, patches, still_off=still_off)
    strips = same_picture(asked.ledger, newest)
    proposal = propose(posterior_of(strips))
    said = f"{' '.join(newest.patches)}{IN_ORDER}"
    values = as_laid_down(asked.printed, proposal.values)
    data = asked.ask(
        values, patches=list(newest.patches), ranked=True, still_off=still_off, keep=yes, said=said
    )
    for line in proposal_words(proposal, strips, data):
        click.echo(line)
    _show_on_screen(asked, proposal.values)
    if yes:
        for line in settled_words(data):
            click.echo(line)
        _warn(data)
        if asked.common.get("picture"):
            _write_own(asked, data, values, 0, said)
        return Exit.OK
    _warn(data)
    click.echo(
        f"This is not settled yet. To take it: drydown choose {asked.row.id} {' '.join(newest.patches)} --yes"
    )
    return Exit.OK


def next_points(root: Path, job: str, *, anyway: bool) -> str | None:
    """The patches of the next strip as JSON; None, and a sentence, where nothing is open any more."""
    with view(root) as ledger:
        printed = printed_strip(ledger.job(job))
        name = printed.row.id
        ranking, pick = ranking_of(ledger, name), pick_of(ledger, name)
        if ranking is not None and (pick is None or ranking.time > pick.time):
            return _after_ranking(ledger, printed, anyway=anyway)
    if pick is None:
        raise Conflict(
            f"nothing was chosen from the strip of job {name} yet, so nobody knows what is still open: drydown choose {name} PATCH, "
            "or its best three to five in order"
        )
    return _after_pick(printed, pick, anyway=anyway)


def _after_ranking(ledger: LedgerView, printed: PrintedStrip, *, anyway: bool) -> str | None:
    """The strip that splits what the rankings so far leave open."""
    from drydown.proofing.layout import next_strip
    from drydown.proofing.proposal import propose
    from drydown.service.rankings import posterior_of, remembered, same_picture

    newest = remembered(ledger, printed)
    assert newest is not None
    posterior = posterior_of(same_picture(ledger, newest))
    proposal = propose(posterior)
    if proposal.enough and not anyway:
        click.echo(proposal.words)
        left = (
            "what the ranking leaves open is within 1.5 CC and 0.5 L*"
            if proposal.settled
            else f"after two, what is left is expected to be ΔE00 {proposal.expected_dE:.1f}"
        )
        click.echo(_nothing_open(printed, left))
        return None
    return json.dumps(next_strip(posterior, _patches(printed)))


def _patches(printed: PrintedStrip) -> int:
    """How many patches the next strip has: the sheet full, or where the sheet is too small for that, or fed again, as many as it held before."""
    sheet, part = printed.spec.sheet, printed.spec.maker.settings.get("part", "whole")
    is_full = part == "whole" and sheet.size.width * sheet.size.height >= _HOLDS_ALL_mm2
    return max(FULL, len(printed.strip.names())) if is_full else len(printed.strip.names())


def _after_pick(printed: PrintedStrip, pick: Pick, *, anyway: bool) -> str | None:
    """The same pattern at half the steps."""
    from drydown.proofing.layout import halved
    from drydown.service.rankings import roles_of

    strip = printed.strip
    picked, base = numbers({**strip.base, **pick.values}), numbers(strip.base)
    patches = [numbers(patch.values) for patch in strip.patches if patch.picture == 0]
    points = halved(patches, base, picked, roles=roles_of(printed))
    if is_fine(points, picked) and not anyway:
        click.echo(_nothing_open(printed, f"half the steps about {pick.said} are within 1.5 CC and 0.5 L*"))
        return None
    return json.dumps(points)


def _nothing_open(printed: PrintedStrip, why: str) -> str:
    return (
        f"Another strip would tell nothing that an eye can see: {why}. Print the final. "
        f"(drydown strip {printed.row.id} --next --anyway lays one all the same.)"
    )


def _tell(data: Mapping[str, Any], said: str) -> None:
    for line in chosen_words(data, said=said):
        click.echo(line)
    _warn(data)


def _warn(data: Mapping[str, Any]) -> None:
    for warning in data["warnings"]:
        click.echo(f"Note: {warning}", err=True)


def _show_on_screen(asked: Asked, values: Mapping[str, float]) -> None:
    """A picture of the region as the strip's centre shows it, and beside it as the values would print it; where the sheet is still there."""
    from drydown.imaging.strip_view import Move, write_move
    from drydown.service.rankings import view_of

    seen = view_of(asked.printed, values)
    if seen is None:
        click.echo("The strip's sheet is no longer there, so nothing can be shown on screen.")
        return
    write_move(seen.sheet, seen.patch, Move(**seen.moves), seen.to)
    click.echo(f"On screen, as it stood and as proposed: {below(asked.root, seen.to)}")


def _write_own(asked: Asked, data: Mapping[str, Any], values: Values, picture: int, said: str) -> None:
    """The picture's own file, into the folder where its final is dropped; where there is none, or a share is away, into the current one."""
    from drydown.intake.folder import TAKEN
    from drydown.studio.picture_own import write_picture_own

    with view(asked.root) as ledger:
        name = dropped_name(ledger.job(asked.printed.job_of(picture)))
    hot = Path(data["folder"]) if data["folder"] else None
    online = hot is not None and (hot / TAKEN).is_dir()  # else it may be an empty mount point
    path = (hot if hot is not None and online else Path.cwd()) / f"{Path(name).stem}.toml"
    given = {key: value for key, value in values.items() if value is not None}
    write_picture_own(path, given, picture=shown(name), why=f"Job {asked.row.id}, patch {said}.")
    where = f"Written to {below(asked.root, path)}, for this picture alone"
    if online:
        click.echo(f"{where}: it waits there until {shown(name)} is dropped beside it.")
    elif hot is not None:
        click.echo(f"{where}: {below(asked.root, hot)} is offline, so put it beside {shown(name)} yourself.")
    else:
        recipe = data["recipe"]
        click.echo(
            f"{where}: no hot folder makes finals of recipe {recipe}, so put it beside {shown(name)} yourself."
        )
