"""`drydown init`: laying out a commented studio, and never touching what is already there."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterator
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path

from drydown.errors import Conflict
from drydown.studio.cross import STUDIO_FILE
from drydown.studio.guess import listed

#: Folders beside those that the packaged files lie in, with their modes. What a job keeps is nobody else's business.
FOLDERS = {
    "prints": 0o755,
    "originals": 0o700,
    "originals/done": 0o700,
    "originals/held": 0o700,
    "originals/refused": 0o700,
    "state": 0o700,
}


def packaged() -> Traversable:
    """The studio that `init` lays out: inside the wheel, or `config/` of a source checkout."""
    inside = files("drydown") / "_config"
    if inside.is_dir():
        return inside
    return Path(__file__).parents[3] / "config"


def init(root: Path, *, set_up: Callable[[Path], object] | None = None) -> list[Path]:
    """Lay out a studio in `root`; answers the files written, in order.

    `set_up` makes one hot folder ready (its marker); without it the folder is only made. Raises `Conflict`, having written nothing, where
    one of the files stands already or a file stands where a folder should; OSError of the file system.
    """
    source = packaged()
    copies = [(root / where, item) for where, item in _walk(source)]
    hot = [
        root / table["path"]
        for table in tomllib.loads((source / STUDIO_FILE).read_text("utf-8"))["hot_folder"]
    ]
    folders = {root / name: mode for name, mode in FOLDERS.items()}
    in_the_way = [path for path, _ in copies if path.exists() or path.is_symlink()]
    in_the_way += [path for path in (root, *folders, *hot) if path.exists() and not path.is_dir()]
    if in_the_way:
        names = listed(str(path.relative_to(root)) if path != root else str(root) for path in in_the_way)
        raise Conflict(f"{root} has {names} already, so nothing was written. Choose an empty folder.")
    for folder, mode in folders.items():
        folder.mkdir(mode=mode, parents=True, exist_ok=True)
    (root / "state").chmod(FOLDERS["state"])  # also where it stood already
    for path, item in copies:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("xb") as file:
            file.write(item.read_bytes())
    (root / "plugins").chmod(
        0o755
    )  # whatever the umask: nothing is loaded from a folder that others may write
    for folder in hot:
        folder.mkdir(parents=True, exist_ok=True)
        if set_up is not None:
            set_up(folder)
    return [path for path, _ in copies]


def _walk(folder: Traversable, below: str = "") -> Iterator[tuple[str, Traversable]]:
    """Every file below `folder` with its relative path, `studio.toml` first."""
    for item in sorted(folder.iterdir(), key=lambda item: (item.is_dir(), item.name)):
        where = f"{below}{item.name}"
        if item.name.startswith((".", "__")):
            continue
        if item.is_dir():
            yield from _walk(item, f"{where}/")
        else:
            yield where, item
