"""A small studio in which one strip has been printed, opened in this process: nothing renders unless it is told to."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.e2e.studio import PAGELESS, drydown, make_studio, picture

from drydown.service.workshop import Workshop

PROOF = '[[hot_folder]]\npath = "hot/proof"\nrecipe = "small"\nsheet_maker = "test-strip"\nsheet = "letter"\n\n[daemon]'


def studio_with_strip(root: Path) -> tuple[Path, str]:
    """The studio, and the job of its strip."""
    studio = make_studio(root / "studio", {"studio.toml": PAGELESS.replace("[daemon]", PROOF)})
    return studio, printed(studio, picture(root / "harbour.tif", width=900, height=600))


def printed(studio: Path, source: Path, *args: str) -> str:
    """The job that `drydown run` makes of a picture: a strip, if nothing else is said."""
    args = args or ("--maker", "test-strip", "--sheet", "letter")
    done = drydown(studio, "run", "small", str(source), *args, "--json")
    assert done.returncode == 0, done.stderr
    job: str = json.loads(done.stdout)["job"]
    return job


@contextmanager
def opened(studio: Path) -> Iterator[Workshop]:
    with Workshop(studio, what="a test", say=lambda text: None, wake=lambda: None) as workshop:
        yield workshop
