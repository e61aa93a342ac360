"""The page of a job, made inside its attempt: what the paper does to the picture, worked out from a reduced copy of it.

The sheet is finished before the page is, and no fault of a page stops it: what could not be shown is said instead.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from drydown.api import Finished, Frame, Intent, Note
from drydown.jobs.chain import Chain, Link
from drydown.jobs.spec import JobSpec, StepSpec
from drydown.jobs.ticket import Ticket
from drydown.showing import shown

if TYPE_CHECKING:
    import pyvips

    from drydown.imaging.gamut_loss import Loss, LossMap
    from drydown.imaging.preview import SmallSheet
    from drydown.imaging.screen_proof import Screen
    from drydown.pages.job_page import Histogram, JobPage, LossShown, Shot, StepShown, ToneShown

_EDGE_PX: Final = 1000  #: longer side of a picture on the page
_QUALITY: Final = 84
_NO_CHANGE: Final = 0.1  #: Lab units: what no drawing shows
#: where a setting comes from, in words; what has no origin is the step's default
_ORIGINS: Final = {
    "": "default",
    "recipe": "recipe",
    "settled": "settled by proofing",
    "picture": "the picture's own file",
}
_NO_WORDS: Final = "no colours are carried over to it, so nothing is lost on the way"


@dataclass(frozen=True, slots=True, eq=False)
class Looked:
    """What the reduced picture tells: how it looks before its conversion, the loss, and what the steps after it do to tone."""

    source: Shot | None  #: None where the picture has no profile
    loss: LossMap | None
    no_loss: str
    tone: ToneShown | None


def look(chain: Chain, spec: JobSpec) -> Looked:
    """Run the recipe on a reduced picture as far as the stock's profile, and measure what is lost on the way."""
    from drydown.imaging.convert import same_profile

    icc = spec.stock.profile.read_bytes()
    stages = chain.stages(_EDGE_PX)
    before = next(stages)[1]
    if before.icc is not None and same_profile(before.icc, icc):
        words = f"The picture came in the stock's own profile: {_NO_WORDS}."
        return Looked(_source(before, spec), None, words, _tone(chain, chain.links, icc))
    for place, (link, frame) in enumerate(stages, 1):
        if link is not None and frame.icc is not None and same_profile(frame.icc, icc):
            loss, why = _loss(before, frame, icc, link, spec)
            return Looked(_source(before, spec), loss, why, _tone(chain, chain.links[place:], icc))
        before = frame
    return Looked(
        _source(before, spec), None, "No loss map: the recipe ends in another profile than the stock's.", None
    )


def write_page(
    to: Path,
    spec: JobSpec,
    made: Finished,
    card: Ticket,
    sheet: SmallSheet,
    looked: Future[Looked],
    notes: list[Note],
) -> dict[str, Any]:
    """Write the page, and return what the record remembers of it. A page that cannot be made becomes a note, and the answer is empty."""
    from drydown.errors import is_machines
    from drydown.pages.job_page import job_page

    try:
        found = looked.result()
        page = _page(spec, made, card, sheet, found, notes)
        to.write_text(job_page(page), encoding="utf-8")
        return {
            "gamut": None if found.loss is None else _figures(found.loss),
            "outside_screen": list(page.outside),
        }
    except Exception as error:  # the sheet is made: it must not be lost for its page
        if is_machines(error):
            raise
        to.unlink(missing_ok=True)
        notes.append(
            Note(f"its page could not be made: {shown(f'{type(error).__name__}: {error}')}", level="warning")
        )
        return {}


def _loss(before: Frame, after: Frame, icc: bytes, link: Link, spec: JobSpec) -> tuple[LossMap | None, str]:
    from drydown.imaging.gamut_loss import loss_map

    settings = link.settings
    if getattr(settings, "hard_proof", False):
        return None, "No loss map: this sheet imitates another paper, and what it gives up for that is meant."
    if before.icc is None:
        return None, "No loss map: before its conversion the picture has no profile."
    intent: Intent = getattr(settings, "intent", None) or spec.stock.intent
    asked = getattr(settings, "black_point_compensation", None)
    compensate = spec.stock.black_point_compensation if asked is None else bool(asked)
    try:
        found = loss_map(
            before.pixels, before.icc, after.pixels, icc, intent=intent, black_point_compensation=compensate
        )
    except ValueError as reason:
        return None, f"No loss map: {reason}."
    return found, ""


def _page(
    spec: JobSpec, made: Finished, card: Ticket, sheet: SmallSheet, found: Looked, notes: Sequence[Note]
) -> JobPage:
    from drydown.pages.job_page import JobPage

    screen, trouble = _screen(spec)
    warnings = [*spec.notes, *trouble, *(_said(note) for note in notes if note.level == "warning")]
    missing = card.data["not_stated"]
    if missing:
        warnings.append(
            f"The stock does not state {', '.join(str(key).replace('_', ' ') for key in missing)}."
        )
    return JobPage(
        source=spec.source_name,
        job=spec.job,
        facts=_facts(spec, card),
        shots=_shots(found.source, made, sheet, screen),
        screen=screen.name,
        outside=tuple(_outside(sheet, screen)),
        loss=None if found.loss is None or found.source is None else _loss_shown(found.source, found.loss),
        no_loss=found.no_loss,
        histogram=_histogram(found, made, sheet),
        tone=found.tone,
        steps=tuple(_steps(spec)),
        ticket=card.data["lines"],
        warnings=warnings,
        notes=[(note.step, shown(note.text)) for note in notes if note.level != "warning"],
    )


def _screen(spec: JobSpec) -> tuple[Screen, list[str]]:
    from drydown.errors import Refusal
    from drydown.imaging.screen_proof import screen_of

    try:
        return screen_of(spec.screen.read_bytes() if spec.screen else None), []
    except (Refusal, OSError) as error:
        return screen_of(None), [f"{error} This page shows sRGB instead."]


def _said(note: Note) -> str:
    text = shown(note.text)
    return f"{note.step}: {text}" if note.step else text


def _facts(spec: JobSpec, card: Ticket) -> list[tuple[str, str]]:
    file = card.data["file"]
    lot = f", lot {spec.stock.lot}" if spec.stock.lot else ""
    width, height = file["size_mm"]
    facts = [
        ("Job", spec.job),
        ("Made", spec.made[:16].replace("T", " ")),
        ("Recipe", f"{spec.recipe}, {spec.maker.use}"),
        ("Stock", f"{spec.stock.name}{lot}"),
        (
            "Sheet",
            f"{spec.sheet.name}; the file is {width:.0f} × {height:.0f} mm at {file['ppi']:g} ppi, {file['bits']} bits",
        ),
        ("Judge at", f"{spec.viewing_mm:g} mm" + (f", under {spec.light}" if spec.light else "")),
    ]
    return [(label, shown(value)) for label, value in facts]


def _shot(title: str, says: str, alt: str, seen: pyvips.Image, *, surround: str = "grey") -> Shot:
    from drydown.imaging.screen_proof import as_jpeg
    from drydown.pages.job_page import Shot

    jpeg = as_jpeg(seen, quality=_QUALITY)
    return Shot(title, says, alt, jpeg, (seen.width, seen.height), surround)


def _source(before: Frame, spec: JobSpec) -> Shot | None:
    from drydown.imaging.screen_proof import proof

    if before.icc is None:
        return None
    seen = proof(before.pixels, before.icc, _screen(spec)[0], "adapted")
    return _shot("Source", "Cropped as printed, before conversion.", "The picture before conversion", seen)


def _shots(source: Shot | None, made: Finished, sheet: SmallSheet, screen: Screen) -> list[Shot]:
    from drydown.imaging.screen_proof import VIEW_WORDS, proof

    shots = [] if source is None else [source]
    longest = max(sheet.pixels.width, sheet.pixels.height)
    small = sheet.pixels if longest <= _EDGE_PX else sheet.pixels.resize(_EDGE_PX / longest)
    small = small.copy_memory()
    what = "strip of variations" if made.record.get("strip") else "print"
    for title, view, says, surround in (
        ("Adapted view", "adapted", "alone in its light", "grey"),
        ("Table view", "table", "beside the screen", "screen"),
    ):
        text = f"The {what} {says}: {VIEW_WORDS[view]}."  # type: ignore[index]
        seen = proof(small, sheet.icc, screen, view)  # type: ignore[arg-type]
        shots.append(_shot(title, text, f"The {what} as it looks {says}", seen, surround=surround))
    return shots


def _outside(sheet: SmallSheet, screen: Screen) -> Iterator[str]:
    from drydown.imaging.screen_proof import outside_percent

    share = outside_percent(sheet.pixels, sheet.icc, screen)
    if share is None:
        return
    if share < 0.005:
        yield "It can show every colour of this print."
        return
    yield f"It cannot show {share:.1f} % of the printed colours of this sheet (more than 3 units of CIELAB off): there the print holds more than you see."


def _loss_shown(source: Shot, found: LossMap) -> LossShown:
    from drydown.imaging.contours import contours
    from drydown.imaging.gamut_loss import THRESHOLDS, recommendation
    from drydown.pages.job_page import Level, LossShown

    beyond = ", ".join(f"{share:.1f} % beyond ΔE00 {limit:g}" for limit, share in found.used.beyond.items())
    shot = replace(
        source,
        title="Loss map",
        says="The source, with lines through equal loss, drawn through the loss smoothed a little; the figures are not.",
        alt=f"Loss map of the picture: {beyond}",
    )
    curves = contours(found.dE00, THRESHOLDS)
    levels = [
        Level(limit, [curve.tolist() for curve in some], limit < found.own_p95)
        for limit, some in zip(THRESHOLDS, curves, strict=True)
    ]
    intents = [_intent_words(loss) for loss in found.by_intent]
    return LossShown(
        shot,
        levels,
        intents,
        _rows(found.by_intent),
        recommendation(found),
        found.own_mean,
        found.own_p95,
        found.sampled,
    )


def _intent_words(loss: Loss) -> str:
    from drydown.imaging.convert import INTENT_NAMES

    return (
        f"{INTENT_NAMES[loss.intent]}, black point {'compensated' if loss.compensated else 'not compensated'}"
    )


def _rows(losses: Sequence[Loss]) -> list[tuple[str, list[str]]]:
    rows = [
        (f"Beyond ΔE00 {limit:g}, % of the picture", [f"{loss.beyond[limit]:.1f}" for loss in losses])
        for limit in losses[0].beyond
    ]
    rows += [
        ("Mean ΔE00", [f"{loss.mean:.2f}" for loss in losses]),
        ("95th percentile of ΔE00", [f"{loss.p95:.1f}" for loss in losses]),
        (
            "L*: mean change, 95th percentile",
            [f"{loss.lightness.shift:+z.1f}, {loss.lightness.p95:.1f}" for loss in losses],
        ),
        (
            "C*: mean change, 95th percentile",
            [f"{loss.chroma.shift:+z.1f}, {loss.chroma.p95:.1f}" for loss in losses],
        ),
        ("Hue (ΔH*): mean, 95th percentile", [f"{loss.hue.mean:.1f}, {loss.hue.p95:.1f}" for loss in losses]),
        ("Lightness wished for, L*", ["{:.1f} to {:.1f}".format(*loss.range_before) for loss in losses]),
        ("Lightness printed, L*", ["{:.1f} to {:.1f}".format(*loss.range_after) for loss in losses]),
    ]
    return rows


def _histogram(found: Looked, made: Finished, sheet: SmallSheet) -> Histogram:
    from drydown.imaging.black_point import black_L
    from drydown.imaging.tone_seen import lightness_of, lightness_spread
    from drydown.pages.job_page import Histogram

    pixels, box, times = sheet.pixels, made.picture, sheet.reduced_by
    if box is not None:
        left, top = min(box.left // times, pixels.width - 1), min(box.top // times, pixels.height - 1)
        width = max(1, min(box.width // times, pixels.width - left))
        pixels = pixels.crop(left, top, width, max(1, min(box.height // times, pixels.height - top)))
    wished = () if found.loss is None else lightness_spread(found.loss.wished_L)
    return Histogram(wished, lightness_spread(lightness_of(pixels, sheet.icc)), black_L(sheet.icc))


def _tone(chain: Chain, after: Sequence[Link], icc: bytes) -> ToneShown | None:
    """What the steps that work pixel by pixel after the conversion do to true greys; None where there are none, or they change nothing."""
    from drydown.imaging.tone_seen import greys_through
    from drydown.pages.job_page import ToneShown

    ppi = chain.job.stock.ppi
    links = [link for link in after if not link.offer.resizes and link.reach_px(chain.job, ppi) == 0]
    worked: list[str] = []

    def through(pixels: pyvips.Image) -> pyvips.Image:
        frame = Frame(pixels=pixels, icc=icc, ppi=ppi, source=chain.job.source)
        for link in links:
            made = link.run(frame, chain.job)
            if made.pixels is not frame.pixels:
                worked.append(link.name)
            frame = made
        return frame.pixels

    before, printed = greys_through(icc, through)
    if not worked or abs(printed - before).max() < _NO_CHANGE:
        return None
    middle = int(abs(before[:, 0] - 50).argmin())
    L, a, b = (float(part) for part in printed[middle] - before[middle])
    points = [(float(x), float(y)) for x, y in zip(before[:, 0], printed[:, 0], strict=True)]
    return ToneShown(points, (L, a, b), worked)


def _steps(spec: JobSpec) -> Iterator[StepShown]:
    from drydown.pages.job_page import StepShown

    for step in (*spec.steps, spec.maker):
        settings = [_setting(spec, step, key, value) for key, value in step.settings.items()]
        yield StepShown(shown(step.name), step.use, shown(step.plugin.offered_by), settings)


def _setting(spec: JobSpec, step: StepSpec, key: str, value: object) -> tuple[str, object, str]:
    """A setting, its value, and where that comes from: one that is left open may stand in the stock, under its own name or the step's (`sharpen_strength`)."""
    origin = step.origin.get(key, "")
    if value is None:
        from_stock = getattr(spec.stock, key, getattr(spec.stock, f"{step.use}_{key}", None))
        if from_stock is not None:
            return shown(key), from_stock, f"stock {shown(spec.stock.name)}"
    return shown(key), value, _ORIGINS.get(origin, shown(origin))


def _figures(found: LossMap) -> dict[str, Any]:
    """The figures as JSON values, for the record."""
    used = found.used
    return {
        "intent": used.intent,
        "black_point_compensation": used.compensated,
        "beyond_percent": {f"{limit:g}": round(share, 2) for limit, share in used.beyond.items()},
        "mean_dE00": round(used.mean, 3),
        "p95_dE00": round(used.p95, 3),
        "own_p95_dE00": round(found.own_p95, 3),
        "sampled_px": found.sampled,
    }
