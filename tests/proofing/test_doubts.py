"""Rankings that no error explains."""

from __future__ import annotations

import numpy as np
import pytest
from tests.proofing.proof_kit import ROLES, UNTOUCHED, distances, judged, named, proof
from tests.proofing.survey_places import first_strip

from drydown.proofing.doubts import NOT_A_CAST, doubts
from drydown.proofing.layout import next_strip
from drydown.proofing.posterior import Judged, infer
from drydown.proofing.proposal import propose

#: A1 is the untouched recipe; A2, A3 more and less cyan; A4, A5 magenta; B1, B2 yellow; B3, B4 lighter and darker.
STAR = [
    UNTOUCHED,
    *(
        {**UNTOUCHED, key: sign * (7.0 if key == "tone-lift.lift_L" else 16.0)}
        for key in ROLES
        for sign in (1, -1)
    ),
]


def test_a_ranking_that_jumps_over_the_middle_contradicts_itself() -> None:
    belief = infer(proof(), [Judged(patches=named(STAR), ranking=("A4", "A5", "B1"))])
    (sentence,) = doubts(belief).contradictions
    assert sentence.startswith(
        "the ranking A4 A5 B1 contradicts itself: under the cast that explains it best, A"
    )
    assert " looks better than A4 by ΔE00 " in sentence
    assert not propose(belief).settled and "contradicts itself" in propose(belief).words


@pytest.mark.parametrize("error", [(12.0, -9.0, 4.0), (-3.0, 2.0, 6.0)], ids=str)
def test_an_honest_ranking_raises_no_doubt(error: tuple[float, ...]) -> None:
    of = proof()
    strips = [judged(of, first_strip(25, ROLES, UNTOUCHED, icc=of.icc), error)]
    strips.append(judged(of, next_strip(infer(of, strips), 25), error))
    assert not doubts(infer(of, strips))


def test_strips_that_no_one_cast_explains_throw_doubt_on_the_profile() -> None:
    strips = [
        Judged(patches=named(STAR), ranking=("A4", "B1", "A1")),
        Judged(patches=named(STAR), ranking=("A5", "B2", "A1")),
    ]
    found = doubts(infer(proof(), strips))
    assert not found.contradictions
    assert len(found.not_a_cast) == 1 and NOT_A_CAST in found.not_a_cast[0]


def test_the_strip_that_contradicts_itself_is_named() -> None:
    strips = [
        Judged(patches=named(STAR), ranking=("A4", "B1", "A1")),
        Judged(patches=named(STAR), ranking=("A2", "A3", "A4")),
    ]
    (sentence,) = doubts(infer(proof(), strips)).contradictions
    assert sentence.startswith("strip 2: the ranking A2 A3 A4 contradicts itself")


def test_an_error_beyond_any_cast_is_no_cast() -> None:
    of, error = proof(), (38.0, -34.0, 5.0)
    strips: list[Judged] = []
    points = first_strip(25, ROLES, UNTOUCHED, icc=of.icc)
    for _ in range(3):
        strips.append(judged(of, points, error))
        points = next_strip(infer(of, strips), 25)
    found = doubts(infer(of, strips))
    assert any("beyond 22 CC" in sentence and NOT_A_CAST in sentence for sentence in found.not_a_cast)


def test_a_best_patch_that_still_looks_wrong_is_no_cast_once_it_ought_to_be_right() -> None:
    of, error = proof(), (6.0, -5.0, 3.0)
    points = first_strip(25, ROLES, UNTOUCHED, icc=of.icc)
    first = judged(of, points, error, still_off=True)
    belief = infer(of, [first])
    best = first.patches[first.ranking[0]]
    assert distances(of, [best], error)[0] > 0.5  # nothing to wonder at on a wide strip
    strips = [first]
    for _ in range(2):
        strips.append(judged(of, next_strip(belief, 25), error, still_off=True))
        belief = infer(of, strips)
    (sentence,) = doubts(belief).not_a_cast
    assert "still looks wrong" in sentence and NOT_A_CAST in sentence
    assert not propose(belief).settled


def test_names_picked_at_random_seldom_pass() -> None:
    of, points = proof(), first_strip(25, ROLES, UNTOUCHED, icc=proof().icc)
    random, doubted = np.random.default_rng(3), 0
    patches = named(points)
    for _ in range(12):
        names = tuple(str(name) for name in random.choice(list(patches), 4, replace=False))
        doubted += bool(doubts(infer(of, [Judged(patches=patches, ranking=names)])))
    assert doubted >= 9
