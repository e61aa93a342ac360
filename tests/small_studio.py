"""The texts of a small studio, for every kit that prints in one; and the smallest that can print, laid out.

Imports no library, so that a process forked a thousand times stays small.
"""

from __future__ import annotations

from pathlib import Path

#: The steps that every recipe needs, in their order.
TO_PAPER = ("flatten", "crop", "resample", "convert")
#: Of a daemon that is quick to see a picture; further lines of this table may follow.
DAEMON = """
[daemon]
quiet_s = 0.3
rescan_s = 1
jobs_at_once = 2
"""
_STOCK = 'profile = "profiles/paper.icc"\nppi = 72\nsheets = ["4x6"]\n'


def hot_folder(name: str) -> str:
    """A table for `studio.toml`: finals by the recipe `small`, of one picture as often as it comes; further lines of it may follow."""
    return f"""
[[hot_folder]]
path = "hot/{name}"
recipe = "small"
sheet_maker = "final"
repeated = "print"
"""


#: `look` waits for a person who approves.
HOT_FOLDERS = hot_folder("final") + hot_folder("look") + "approve = true\n"


def steps(*names: str) -> str:
    """Tables for a recipe, in this order; the last one's settings may follow."""
    return "".join(f'[[step]]\nuse = "{name}"\n' for name in names)


def recipe(*names: str, stock: str = "pearl", margin_mm: int = 8) -> str:
    """A recipe of these steps for a 4x6 that is looked at from a metre; the last step's settings may follow."""
    return f"""
stock = "{stock}"
sheet = "4x6"
margin_mm = {margin_mm}
viewing_mm = 1000
{steps(*names)}"""


def lay_out(root: Path, profile: bytes, *, daemon: str = "") -> None:
    """A new studio in `root` with a paper of this profile and nothing done in it; `daemon`: further text of `studio.toml`."""
    for name in ("stocks", "recipes", "profiles", "plugins", "hot/final", "hot/look", "state"):
        (root / name).mkdir(parents=True)
    (root / "profiles" / "paper.icc").write_bytes(profile)
    (root / "studio.toml").write_text(HOT_FOLDERS + daemon)
    (root / "stocks" / "paper.toml").write_text(_STOCK)
    (root / "recipes" / "small.toml").write_text(recipe(*TO_PAPER, stock="paper", margin_mm=12))
