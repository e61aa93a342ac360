"""A choice in words and in a small table: what was, what is, what the difference is."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from drydown.proofing.roles import STEP
from drydown.proofing.settle import Change
from drydown.studio.words import setting

if TYPE_CHECKING:
    from drydown.proofing.proposal import Proposal
    from drydown.service.rankings import Ranked


def table(changes: Sequence[Change]) -> Iterator[str]:
    """Lines, the numbers in columns: setting, was, now, difference."""
    rows = [("", "was", "now", "difference")]
    rows += [(change.key, _shown(change.old), _shown(change.new), difference(change)) for change in changes]
    widths = [max(len(row[column]) for row in rows) for column in range(4)]
    for row in rows:
        cells = [
            row[0].ljust(widths[0]),
            *(cell.rjust(width) for cell, width in zip(row[1:], widths[1:], strict=True)),
        ]
        yield "  ".join(cells).rstrip()


def difference(change: Change) -> str:
    """`+4`, for a factor `x 1.05`, and a dash where nothing has changed or a difference says nothing."""
    if change.old == change.new or change.difference is None:
        return "-"
    if change.multiplies:
        return f"x {setting(round(change.difference, 3))}"
    return f"{round(change.difference, 2):+g}"


def chosen_words(data: Mapping[str, Any], *, said: str) -> Iterator[str]:
    """What a choice has done, from the answer to its request."""
    yield f"Recipe {data['recipe']}, {said if said.startswith('by hand') else f'patch {said}'}"
    yield ""
    yield from table([Change(*change) for change in data["changes"]])
    yield ""
    yield from settled_words(data)


def settled_words(data: Mapping[str, Any]) -> Iterator[str]:
    """How it was judged, and where it is settled."""
    how = [f"under {data['light']}"] if data.get("light") else []
    if data.get("minutes") is not None:
        how.append(f"{data['minutes']} min after printing")
    if how:
        yield f"Judged {', '.join(how)}."
    if data["written"]:
        yield f"Settled in {data['file']}; the next picture is printed so. To go back: drydown choose {data['job']} --undo"


def proposal_words(proposal: Proposal, strips: Sequence[Ranked], data: Mapping[str, Any]) -> Iterator[str]:
    """What rankings say of the printer: in words, then the values with the range that holds 80 % of what is believed."""
    yield "Read together: " + "; ".join(
        f"job {one.printed.row.id}: {' '.join(one.patches)}" for one in strips
    )
    yield proposal.words
    first = strips[0].printed.strip.base
    if any(change[0] in first and change[1] != first[change[0]] for change in data["changes"]):
        yield "The words count from the recipe as it stood on the first of these strips, the table from what is settled now."
    yield ""
    changes = [Change(*change) for change in data["changes"]]
    ranges = [_range(change.key, proposal.intervals.get(change.key)) for change in changes]
    for line, said in zip(table(changes), ["80 % between", *ranges], strict=True):
        yield f"{line:44}  {said}".rstrip()
    yield ""
    yield (
        f"Expected mean difference from the wanted look: {proposal.expected_dE:.1f} ΔE00, "
        f"{proposal.untouched_dE:.1f} as the recipe stood."
    )


def undone_words(data: Mapping[str, Any]) -> Iterator[str]:
    """The same of an undone one."""
    yield f"Recipe {data['recipe']}: the choice of {data['undone']} is undone"
    yield ""
    yield from table([Change(*change) for change in data["changes"]])
    yield ""
    left = data["left"]
    if left:
        yield f"What holds now was chosen from job {left['job']} (patch {left['patch']}) on {left['date'][:10]}."
    else:
        yield "Nothing is settled any more: the recipe holds as it is written."


def _range(key: str, interval: tuple[float, float] | None) -> str:
    """In the steps that one eye can tell apart: whole CC, 0.2 L*."""
    if interval is None:
        return ""
    step = next((step for role, step in STEP.items() if role == key.rpartition(".")[2]), 0.01)
    low, high = (setting(round(round(end / step) * step, 4)) for end in interval)
    return f"{low} to {high}"


def _shown(value: object) -> str:
    if value is None:
        return "stock's"
    return setting(round(value, 2) if isinstance(value, float) else value)
