"""The command line. Commands are imported when they are called, so that `--help` answers at once; errors are shown in one way here."""

from __future__ import annotations

import importlib
import os
import sys
from collections.abc import Mapping
from keyword import iskeyword
from pathlib import Path
from typing import Any

import click

from drydown.errors import DrydownError, Exit, NotFound, StudioError

#: command -> (module below drydown.cli, its one-line help); the help stands here so that listing it imports nothing
COMMANDS = {
    "demo": ("demo", "Lay out a demonstration studio, run it, and say where to look."),
    "init": ("studio", "Lay out a new, commented studio in DIR."),
    "check": ("studio", "Explain what each hot folder will do, and find every fault before the first sheet."),
    "steps": ("steps", "List the steps and sheet makers that are installed, or explain one."),
    "watch": ("work", "Watch the hot folders and make a sheet of what is dropped (the daemon)."),
    "run": ("work", "Run a recipe over files or folders, without the daemon."),
    "jobs": ("jobs", "List jobs."),
    "show": ("jobs", "Show one job: what was asked, what was done, where every value came from."),
    "retry": ("jobs", "Take held or aborted jobs up again."),
    "approve": ("jobs", "Let jobs through that wait for a look at their preview."),
    "cancel": ("jobs", "Cancel jobs."),
    "choose": ("proof", "Take a patch of a test strip, or a point between two, into the recipe."),
    "strip": ("proof", "Lay the next test strip of a picture, or one of several pictures."),
    "reprint": ("proof", "Make the sheet of an old job again from its record."),
    "try": ("try_step", "Run one step on one picture: before, after, difference, time and memory."),
    "new-plugin": ("new_plugin", "Write a working, tested plugin to start from."),
    "tidy": ("upkeep", "Say which originals are older than the studio's rule, and delete them."),
    "backup": ("upkeep", "Copy the ledger and the studio's own files while the daemon works."),
    "profile": ("profile", "Know, prove and make the profile of a paper."),
}

EXIT_CODES = """\b
Exit codes:
  0  all well                        5  the job's state does not allow it
  1  some jobs did not complete     70  a defect of the program
  2  wrong command line             74  no space, no permission, disk failed
  3  faults in the studio's files   75  another daemon holds this studio
  4  no such job, recipe or file
"""


class LazyGroup(click.Group):
    """A group whose commands are imported only when used: `table` has name -> (module below drydown.cli, its one-line help)."""

    table: Mapping[str, tuple[str, str]] = COMMANDS

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(self.table)

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        if name not in self.table:
            return None
        module = importlib.import_module(f"drydown.cli.{self.table[name][0]}")
        attribute = name.replace("-", "_")
        command: click.Command = getattr(module, f"{attribute}_" if iskeyword(attribute) else attribute)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in self.table.items()])

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and args[0] not in self.table and not args[0].startswith("-"):
            from difflib import get_close_matches

            near = get_close_matches(args[0], self.table, 1)
            guess = f" Did you mean '{near[0]}'?" if near else ""
            raise click.UsageError(f"No such command '{args[0]}'.{guess}", ctx)
        return super().resolve_command(ctx, args)


def _tell_version(context: click.Context, _: click.Parameter, wanted: bool) -> None:
    if wanted:
        from drydown.cli.versions import versions

        click.echo("\n".join(versions(context.params.get("studio_dir"))))
        context.exit()


@click.group(cls=LazyGroup, epilog=EXIT_CODES, context_settings={"help_option_names": ["-h", "--help"]})
@click.option(
    "--version",
    is_flag=True,
    expose_value=False,
    callback=_tell_version,
    help="Show the versions of the program, its libraries and the plugins, and exit.",
)
@click.option(
    "--studio",
    "studio_dir",
    type=click.Path(path_type=Path, file_okay=False),
    envvar="DRYDOWN_STUDIO",
    help="The studio's folder (default: this folder, or the nearest above it that holds studio.toml).",
)
@click.pass_context
def root(context: click.Context, studio_dir: Path | None) -> None:
    """Drydown prepares photographs for print: drop a picture into a hot folder, get a print-ready sheet."""
    context.obj = studio_dir


def find_studio(given: Path | None) -> Path:
    """The studio's folder: as given, or the nearest above the current one. Raises NotFound with the next move."""
    if given is not None:
        if (given / "studio.toml").is_file():
            return given.resolve()
        raise NotFound(f"{given} holds no studio.toml; lay a studio out with: drydown init {given}")
    here = Path.cwd()
    for folder in (here, *here.parents):
        if (folder / "studio.toml").is_file():
            return folder
    raise NotFound(
        f"no studio.toml in {here} or above; go to the studio, name it with --studio, or lay one out with: drydown init DIR"
    )


def main() -> None:
    """Run the command line and end with its exit code. A user's mistake never shows a traceback."""
    try:
        result: Any = root.main(standalone_mode=False)
        code = result if isinstance(result, int) else Exit.OK
    except click.exceptions.Abort:
        code = 130
    except click.ClickException as error:
        error.show()
        code = error.exit_code
    except StudioError as error:
        count = len(error.faults)
        click.echo(f"{count} fault{'s' if count != 1 else ''} in the studio's files:", err=True)
        for fault in error.faults:
            click.echo(f"  {fault}", err=True)
        code = error.exit_code
    except DrydownError as error:
        click.echo(f"drydown: {error}", err=True)
        code = error.exit_code
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = Exit.OK
    except OSError as error:
        name = f"{error.filename}: " if error.filename else ""
        click.echo(f"drydown: {name}{error.strerror or error}", err=True)
        code = Exit.MACHINE
    sys.exit(int(code))
