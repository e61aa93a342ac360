"""`drydown new-plugin`: a working plugin to change to one's own."""

from __future__ import annotations

from pathlib import Path

import click

from drydown.cli import find_studio
from drydown.errors import Exit
from drydown.starters import Form, Kind, write_plugin


@click.command("new-plugin", short_help="Write a working, tested plugin to start from.")
@click.argument("name")
@click.option(
    "--kind",
    type=click.Choice(["step", "sheet-maker", "observer"]),
    default="step",
    help="A step of a recipe (default), a sheet maker at its end, or an observer of finished jobs.",
)
@click.option("--file", "form", flag_value="file", help="One file in the studio's plugins/ (default).")
@click.option(
    "--package",
    "form",
    flag_value="package",
    help="A folder here, with pyproject.toml, tests and licence, to install and share.",
)
@click.pass_obj
def new_plugin(studio_dir: Path | None, name: str, kind: Kind, form: Form | None) -> int:
    """Write a plugin called NAME that works, with tests that pass; then change it to your own.

    NAME is what a recipe says after use =: lower-case words joined by hyphens.
    """
    chosen: Form = form or "file"
    folder = find_studio(studio_dir) / "plugins" if chosen == "file" else Path.cwd()
    try:
        written = write_plugin(name, kind, chosen, folder)
    except ValueError as error:
        raise click.UsageError(str(error)) from None
    for path in written:
        click.echo(f"wrote {path}")
    click.echo("\n" + "\n".join(_next(name, kind, chosen, written)))
    return Exit.OK


def _next(name: str, kind: Kind, form: Form, written: list[Path]) -> list[str]:
    """What to do now."""
    where = (
        f"cd {written[0].parent} && pip install -e '.[dev]' && pytest"
        if form == "package"
        else f"pytest {written[1]}"
    )
    said = ["Next:", f"  {where}    (needs: pip install pytest)" if form == "file" else f"  {where}"]
    if kind == "step":
        said += [
            f"  drydown steps {name}",
            f"  drydown try {name} PICTURE",
            f'  then into a recipe: [[step]] use = "{name}"',
        ]
    elif kind == "sheet-maker":
        said += [f"  drydown run RECIPE PICTURE --maker {name}"]
    else:
        said += ["  drydown run RECIPE PICTURE"]
    return said
