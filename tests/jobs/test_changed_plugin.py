"""A studio's plugin file that changes between a job's plan and its making: made as it is now and said so, or held with plugin, file, line and next move."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from tests.jobs.jobs_kit import a_spec

from drydown.discovery import discover, source_hash
from drydown.errors import Hold
from drydown.jobs.spec import JobSpec, PluginRef, StepSpec
from drydown.jobs.unpack import links_of

VEIL = '''from drydown.api import Field, Settings, hookimpl, step

class Veil(Settings):
    amount: float = Field(default=0.1, ge=0, le=1, description="How much.")

def veil(frame, settings, job):
    """Lay a veil."""
    return frame

@hookimpl
def drydown_steps():
    return [step(name="veil", settings=Veil, run=veil)]
'''


@pytest.fixture
def file(tmp_path: Path) -> Path:
    folder = tmp_path / "plugins"
    folder.mkdir(mode=0o755)
    path = folder / "veil.py"
    path.write_text(VEIL)
    return path


@pytest.fixture
def spec(file: Path, tmp_path: Path) -> JobSpec:
    found = discover(file.parent)

    def a_step(use: str, **settings: object) -> StepSpec:
        origin = found.origins[use]
        ref = PluginRef(
            module=origin.module, file=origin.file, offered_by=origin.offered_by, blake3=origin.blake3
        )
        return StepSpec(name=use, use=use, settings=settings, plugin=ref)

    plain = a_spec("1m7test0000aa", prints=tmp_path, source=tmp_path / "a.tif")
    return plain.model_copy(update={"steps": (a_step("veil", amount=0.5),), "maker": a_step("final")})


def test_an_unchanged_plugin_is_nothing_to_speak_of(spec: JobSpec) -> None:
    facts: dict[str, object] = {}
    links, _, _ = links_of(spec, facts)
    assert [link.name for link in links] == ["veil"] and facts == {}


def test_a_changed_plugin_whose_settings_fit_is_used_and_its_hash_told(spec: JobSpec, file: Path) -> None:
    file.write_text(VEIL.replace("Lay a veil", "Lay two veils"))
    facts: dict[str, object] = {}
    links, _, _ = links_of(spec, facts)
    assert links[0].offer.about == "Lay two veils."
    assert facts == {"changed_plugins": {"plugins/veil.py": source_hash(file)}}
    assert source_hash(file) != spec.steps[0].plugin.blake3


#: what the file becomes, what is said
CHANGES = {
    "narrower limits": (
        VEIL.replace("le=1,", "le=0.3,"),
        r"no longer fit veil\.py line 3: amount \(.*less than or equal to 0\.3; found 0\.5\)",
    ),
    "another name of a setting": (
        VEIL.replace("amount:", "share:"),
        r"no longer fit veil\.py line 3: amount \(Extra inputs are not permitted; found 0\.5\)",
    ),
    "a new setting that must be given": (
        VEIL.replace("def veil(", "class More(Veil):\n    tint: str\n\ndef veil(").replace("=Veil", "=More"),
        r"no longer fit veil\.py line 6: tint \(Field required",
    ),
    "another step": (VEIL.replace('"veil"', '"haze"'), "it no longer offers 'veil'"),
    "no Python": (VEIL + "\ndef (", r"does not load at veil\.py line 14: SyntaxError"),
    "it raises": (VEIL + "\n1 / 0", r"does not load at veil\.py line 14: ZeroDivisionError"),
    "nothing": (None, r"does not load.*: FileNotFoundError"),
}


@pytest.mark.parametrize(("text", "says"), CHANGES.values(), ids=CHANGES.keys())
def test_a_changed_plugin_that_will_not_do_is_named_with_file_line_and_next_move(
    spec: JobSpec, file: Path, text: str | None, says: str
) -> None:
    if text is None:
        file.unlink()
    else:
        file.write_text(text)
    with pytest.raises(Hold) as caught:  # the picture waits: no plugin's end is the picture's
        links_of(spec)
    said = str(caught.value)
    assert re.search(says, said), said
    assert said.startswith("step 'veil' (offered by plugins/veil.py) ")
    assert said.endswith("mend the plugin or the recipe, then retry the job") and "\n" not in said
