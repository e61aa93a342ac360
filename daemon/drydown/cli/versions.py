"""`drydown --version`: the program, what works out its pixels, and the plugins that it would use here."""

from __future__ import annotations

import platform
from collections.abc import Iterator
from pathlib import Path

from drydown import __version__
from drydown.cli.steps import found_plugins


def versions(studio_dir: Path | None) -> Iterator[str]:
    """A line each. Raises NotFound for a studio that was named and is none."""
    from drydown.imaging.libraries import libraries

    yield f"drydown {__version__}, Python {platform.python_version()}"
    yield from libraries()
    found = found_plugins(studio_dir)
    plugins: dict[str, list[str]] = {}
    for name, origin in found.origins.items():
        plugins.setdefault(origin.offered_by, []).append(name)
    for who, names in sorted(plugins.items()):
        yield f"plugin {who}: {', '.join(names)}"
    for problem in found.problems:
        yield f"plugin off: {problem}"
