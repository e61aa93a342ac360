"""What commands ask of whoever holds the ledger: the same verbs for a running daemon, by request file, and for a command that finds no daemon."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from drydown.errors import DrydownError, Exit
from drydown.intake import copyin
from drydown.intake.names import safe_stem
from drydown.jobs import requests
from drydown.jobs.ledger_rows import JobRow
from drydown.jobs.requests import Answer
from drydown.service.choosing import choose
from drydown.service.reception import Order
from drydown.service.reprint import reprint
from drydown.service.stripping import strip
from drydown.service.undoing import undo
from drydown.service.verifying import note_verified
from drydown.service.workshop import Workshop
from drydown.showing import shown
from drydown.studio.resolve import resolve


def serve(workshop: Workshop, names: Sequence[str], now: float) -> list[JobRow]:
    """Do what waits in the requests folder by these names, as `requests.waiting` lists them; answers the jobs that changed."""
    changed: list[JobRow] = []
    folder = workshop.places.requests
    for name in names:
        request = requests.take(folder, name, now=now)
        if request is None:
            continue
        rows, answer = obey(workshop, request.verb, request.args)
        requests.answer(folder, name, answer)
        workshop.log.write("asked", verb=request.verb, exit=int(answer.exit), message=answer.message)
        changed += rows
    return changed


def obey(workshop: Workshop, verb: str, args: Mapping[str, Any]) -> tuple[list[JobRow], Answer]:
    """Do one thing that was asked. Never raises for what the asker got wrong: the answer says it."""
    verbs: dict[str, Callable[[], list[JobRow] | Answer]] = {
        "run": lambda: take_files(workshop, _order(args), [Path(file) for file in args["files"]]),
        "retry": lambda: [workshop.reception.retry(args["job"], anyway=bool(args.get("anyway")))],
        "approve": lambda: [workshop.desk.approve(args["job"])],
        "cancel": lambda: [workshop.engine.cancel(args["job"])],
        "choose": lambda: undo(workshop, args["job"]) if args.get("undo") else choose(workshop, args),
        "strip": lambda: strip(workshop, args),
        "reprint": lambda: reprint(workshop, args),
        "tidy": lambda: _tidy(workshop, args),
        "verified": lambda: note_verified(workshop, args),
    }
    if verb not in verbs:
        return [], Answer(Exit.USAGE, f"this daemon cannot do '{verb}' yet")
    try:
        done = verbs[verb]()
    except DrydownError as error:
        return [], Answer(error.exit_code, str(error))
    except OSError as error:
        return [], Answer(Exit.MACHINE, str(error))
    if isinstance(done, Answer):
        return [], done
    return done, Answer(Exit.OK, "", {"jobs": [row.id for row in done]})


def _tidy(workshop: Workshop, args: Mapping[str, Any]) -> Answer:
    """Begin a round of letting old originals go; it goes on by itself, a little at a time. Raises NotFound."""
    days = args.get("days")
    workshop.tidying.begin(None if days is None else max(1, int(days)))
    return Answer(Exit.OK, "the daemon removes them, one by one; its job log tells of each")


def take_files(
    workshop: Workshop, order: Order, files: Sequence[Path], stems: Sequence[str] = ()
) -> list[JobRow]:
    """Copy files of the command line in and make jobs of them; they themselves stay untouched. Raises NotFound, Hold, OSError.

    `stems`: what the output names of each begin with; empty: as the order says.
    """
    studio = workshop.house.studio
    resolve(
        studio, recipe=order.recipe, maker=order.sheet_maker, sheet=order.sheet
    )  # refuse before anything is copied
    rows = []
    for file, stem in zip(files, stems or [order.stem] * len(files), strict=True):
        pairing = copyin.beside(file)
        settings = file.parent / pairing.settings if pairing.settings else None
        claimed = copyin.claim_copy(
            file,
            workshop.places.copies,
            workshop.reception.new_job(),
            workshop.desk.publisher.clock(),
            settings=settings,
        )
        workshop.log.write("claimed", claimed.job, source=shown(file.name), hot_folder="run")
        rows.append(workshop.reception.take(claimed, replace(order, stem=stem)))
    return rows


def _order(args: Mapping[str, Any]) -> Order:
    return Order(
        recipe=args["recipe"],
        sheet_maker=args.get("sheet_maker") or "final",
        sheet=args.get("sheet"),
        anyway=bool(args.get("anyway")),
        stem=safe_stem(f"{stem}.") if (stem := args.get("stem")) else "",
    )
