"""`drydown profile …`: the group; each of its commands has a module of its own."""

from __future__ import annotations

from collections.abc import Mapping

import click

from drydown.cli import LazyGroup


class _ProfileGroup(LazyGroup):
    table: Mapping[str, tuple[str, str]] = {
        "show": ("profile_show", "Show what a profile holds: white, black, gamut, greys, errors, tags."),
        "compare": ("profile_compare", "Show how two profiles differ."),
        "build": ("profile_build", "Build a profile from a measured chart."),
        "chart": ("profile_chart", "Make a measurement chart for a stock."),
        "verify": ("profile_verify", "Compare a measured chart with what the stock's profile promises."),
        "history": ("profile_history", "List a stock's verifications, and draw how they drift."),
    }


@click.group(cls=_ProfileGroup)
def profile() -> None:
    """Know, prove and make the profile of a paper."""
