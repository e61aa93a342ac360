"""Taking a choice back: the settled values as they were before it. What was undone stays in the job log."""

from __future__ import annotations

from drydown.errors import Conflict, Exit
from drydown.jobs.requests import Answer
from drydown.proofing.settle import changes
from drydown.service.picks import remember_undone
from drydown.service.strips import printed_strip, standing
from drydown.service.studio_now import from_now_on, studio_now
from drydown.service.workshop import Workshop
from drydown.studio.resolve import resolve
from drydown.studio.settled import remove_settled, settled_path, write_settled


def undo(workshop: Workshop, job: str) -> Answer:
    """Go back one choice. Raises Conflict where the last one was not made from this job's strip."""
    root, ledger = workshop.places.root, workshop.desk.publisher.ledger
    printed = printed_strip(ledger.job(job))
    recipe = printed.spec.recipe
    studio = studio_now(workshop)
    settled = studio.settled.get(recipe)
    if settled is None:
        raise Conflict(f"nothing is settled for recipe {recipe}, so there is nothing to undo")
    last = settled.now
    if last.job != printed.row.id:
        raise Conflict(
            f"the last choice for recipe {recipe} was made from job {last.job} (patch {last.patch}); "
            f"undo that one first: drydown choose {last.job} --undo"
        )
    after = settled.undone()
    old = resolve(studio, recipe=recipe)
    if after is None:
        remove_settled(root, recipe)
    else:
        write_settled(root, after)
    from_now_on(workshop, {recipe: after})
    remember_undone(ledger, printed, after, workshop.desk.publisher.clock())
    workshop.log.write("choice undone", printed.row.id, recipe=recipe, choice=last.model_dump(mode="json"))
    new = resolve(workshop.house.studio, recipe=recipe)
    keys = dict.fromkeys((*last.values, *(after.now.values if after else ())))
    told = changes(standing(old, keys), standing(new, keys))
    data = {
        "recipe": recipe,
        "file": f"recipes/{settled_path(root, recipe).name}",
        "changes": [[change.key, change.old, change.new] for change in told],
        "undone": last.patch,
        "left": {}
        if after is None
        else {"job": after.now.job, "patch": after.now.patch, "date": after.now.date},
        "warnings": [],
        "written": True,
    }
    return Answer(Exit.OK, "", data)
