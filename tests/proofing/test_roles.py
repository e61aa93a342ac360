"""Roles of settings, held to the steps that they belong to."""

from __future__ import annotations

import doctest

import pytest

from drydown.proofing import roles, words
from drydown.proofing.roles import IDENTITY, LIMITS, ROLES, Role, role_of, rounded
from drydown_steps.balance import Balance
from drydown_steps.tone_lift import ToneLift


@pytest.mark.parametrize("role", ROLES)
def test_limits_and_identity_are_those_of_the_step(role: Role) -> None:
    settings = ToneLift if role in ToneLift.model_fields else Balance
    field = settings.model_fields[role]
    limits = {
        type(item).__name__.lower(): getattr(item, type(item).__name__.lower()) for item in field.metadata
    }
    assert LIMITS[role] == (limits["ge"], limits["le"])
    assert IDENTITY[role] == field.default


def test_only_the_built_in_tone_and_balance_have_roles() -> None:
    assert role_of("balance", "yellow") == "yellow"
    assert role_of("tone-lift", "contrast") == "contrast"
    assert role_of("studio-toner", "yellow") is None
    assert role_of("tone-lift", "yellow") is None
    assert role_of("balance", "hold_lightness") is None


def test_values_are_rounded_to_whole_steps_within_the_limits() -> None:
    assert rounded("magenta", 7.6) == 8
    assert rounded("lift_L", 0.71) == 0.8
    assert rounded("contrast", 1.3) == 1.25
    assert rounded("cyan", -99) == -60


@pytest.mark.parametrize("module", [roles, words], ids=lambda module: module.__name__)
def test_the_examples_in_the_docstrings_are_true(module: object) -> None:
    result = doctest.testmod(module)  # type: ignore[arg-type]
    assert result.attempted and not result.failed
