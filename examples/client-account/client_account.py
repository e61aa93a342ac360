"""Files each finished sheet by client, and keeps an account of paper and ink as CSV.

A picture belongs to the client whose name stands before the first double underscore of its file name: `harbour-cafe__dune.tif`. Sheets are linked, not
copied, into `deliveries/CLIENT/` beside the prints; where the disk cannot link, they are copied. What paper and ink cost is stated in `client-account.toml` beside
this file; it may be left out.
"""

from __future__ import annotations

import csv
import os
import re
import shutil
import tomllib
from pathlib import Path

from drydown.api import hookimpl

SETTINGS = Path(__file__).with_name("client-account.toml")
ACCOUNT = "account.csv"
NOBODY = "no-client"
COLUMNS = (
    "date",
    "client",
    "job",
    "picture",
    "stock",
    "sheet",
    "copies",
    "paper_m2",
    "ink_ml",
    "cost",
    "file",
)


@hookimpl
def drydown_job_finished(job, outcome):
    """File the sheet and write a line, for completed jobs. What is raised here is logged, and changes nothing for the job."""
    if outcome != "completed" or not job.get("spec"):
        return
    sheet = next((one["name"] for one in job["files"] if one["kind"] == "sheet"), None)
    if sheet is None:
        return
    prints = Path(job["spec"]["prints"])
    deliveries = prints.parent / "deliveries"
    client = client_of(job["original"]["name"])
    filed = file_sheet(prints / sheet, deliveries / client)
    write_line(deliveries / ACCOUNT, line_of(job, client, prices(), filed.name))


def client_of(name):
    """The client in a picture's name, harmless as a folder's name.

    >>> client_of("Harbour Café__dune.tif"), client_of("dune.tif"), client_of("../x__y.tif")
    ('harbour-caf', 'no-client', 'x')
    """
    client, found, _ = name.partition("__")
    plain = re.sub(r"[^a-z0-9]+", "-", client.lower()).strip("-")[:40]
    return plain if found and plain else NOBODY


def file_sheet(sheet, folder):
    """A second name for the sheet in the client's folder; the first one stays where the printer's operator looks for it."""
    folder.mkdir(parents=True, exist_ok=True)
    to = folder / sheet.name
    if not to.exists():
        try:
            os.link(sheet, to)
        except OSError:
            shutil.copy2(sheet, to)
    return to


def prices():
    """{"ink_ml_per_m2": …, "ink_price_per_ml": …, "paper_price_per_m2": …}; empty where no file says so."""
    try:
        return tomllib.loads(SETTINGS.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return {}


def line_of(job, client, price, file):
    """The account's line: areas from the sheet's size, ink as so many millilitres a square metre of picture."""
    spec = job["spec"]
    copies = spec["copies"]
    paper = copies * spec["sheet"]["size"]["width"] * spec["sheet"]["size"]["height"] / 1e6
    placed = ((job.get("result") or {}).get("record") or {}).get("maker", {}).get("picture_mm")
    picture = copies * placed[2] * placed[3] / 1e6 if placed else paper
    ink = picture * price.get("ink_ml_per_m2", 0)
    cost = paper * price.get("paper_price_per_m2", 0) + ink * price.get("ink_price_per_ml", 0)
    return (
        job["times"]["recorded"][:10], client, job["job"], job["original"]["name"], spec["stock"]["name"], spec["sheet"]["name"],
        copies, f"{paper:.4f}", f"{ink:.2f}" if ink else "", f"{cost:.2f}" if cost else "", file,
    )  # fmt: skip


def write_line(account, line):
    """Append it, with the heading where the file is new; a job that is there already is not written twice."""
    account.parent.mkdir(parents=True, exist_ok=True)
    if account.exists() and any(row[2:3] == [line[2]] for row in rows(account)):
        return
    new = not account.exists()
    with account.open("a", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        if new:
            writer.writerow(COLUMNS)
        writer.writerow([safe(str(cell)) for cell in line])


def rows(account):
    """The account's lines."""
    with account.open(newline="", encoding="utf-8") as file:
        return list(csv.reader(file))


def safe(cell):
    """A spreadsheet takes a cell that begins with one of these for a formula; a picture's name is a stranger's text."""
    return f"'{cell}" if cell[:1] in ("=", "+", "-", "@", "\t", "\r") else cell
