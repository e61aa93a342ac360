"""What a shell may complete after TAB: names that lie in the studio. It says nothing where there is none, and never fails."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import click
from click.shell_completion import CompletionItem

from drydown.cli import find_studio
from drydown.errors import DrydownError

LAST_JOBS = 50
Complete = Callable[[click.Context, click.Parameter, str], list[CompletionItem]]


def _completing(there: Callable[[Path | None], Iterator[CompletionItem]]) -> Complete:
    """As click asks for it: what `there` is in the studio, as far as it goes on from what is typed."""

    def complete(context: click.Context, _: click.Parameter, typed: str) -> list[CompletionItem]:
        try:
            items = list(there(context.find_root().params.get("studio_dir")))
        except (DrydownError, OSError):
            return []
        return [item for item in items if item.value.startswith(typed)]

    return complete


def _recipes(studio_dir: Path | None) -> Iterator[CompletionItem]:
    for path in sorted((find_studio(studio_dir) / "recipes").glob("*.toml")):
        if not path.stem.endswith(".settled"):
            yield CompletionItem(path.stem)


def _stocks(studio_dir: Path | None) -> Iterator[CompletionItem]:
    for path in sorted((find_studio(studio_dir) / "stocks").glob("*.toml")):
        yield CompletionItem(path.stem)


def _steps(studio_dir: Path | None) -> Iterator[CompletionItem]:
    from drydown.cli.steps import found_plugins

    for name, offer in found_plugins(studio_dir).offers.items():
        yield CompletionItem(name, help=offer.about)


def _jobs(studio_dir: Path | None) -> Iterator[CompletionItem]:
    from drydown.jobs.ledger import LedgerView
    from drydown.jobs.places import Places

    with LedgerView.read(Places(find_studio(studio_dir)).ledger) as ledger:
        for row in ledger.jobs(limit=LAST_JOBS):
            yield CompletionItem(row.id, help=f"{row.state}, {row.source_name}")


recipes, stocks, steps, jobs = (_completing(there) for there in (_recipes, _stocks, _steps, _jobs))
