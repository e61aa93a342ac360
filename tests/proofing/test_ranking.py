"""Plackett and Luce's model of a ranking, held to the rules of probability."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest

from drydown.proofing.ranking import NOISES_dE, log_likelihood, misfit_dE

DISTANCES = np.array([[0.4, 1.0, 2.5, 0.9, 4.0], [3.0, 0.1, 0.6, 2.0, 0.2]])


@pytest.mark.parametrize("named", [1, 2, 3, 5])
def test_the_chances_of_all_possible_rankings_add_up_to_one(named: int) -> None:
    every = [np.exp(log_likelihood(DISTANCES, order)) for order in permutations(range(5), named)]
    assert np.sum(every, axis=0) == pytest.approx(np.ones((len(NOISES_dE), 2)))


def test_the_likeliest_ranking_is_that_by_distance() -> None:
    orders = list(permutations(range(5), 3))
    for hypothesis in range(2):
        chances = [log_likelihood(DISTANCES, order)[:, hypothesis] for order in orders]
        for noise in range(len(NOISES_dE)):
            best = orders[int(np.argmax([chance[noise] for chance in chances]))]
            assert list(best) == np.argsort(DISTANCES[hypothesis])[:3].tolist()


def test_a_sharper_eye_is_surer() -> None:
    right = log_likelihood(DISTANCES, [0, 3, 1])[:, 0]
    assert list(NOISES_dE) == sorted(NOISES_dE)
    assert list(right) == sorted(right, reverse=True)


def test_blur_makes_every_ranking_more_alike() -> None:
    sharp, blurred = log_likelihood(DISTANCES, [0]), log_likelihood(DISTANCES, [0], blur_dE=3.0)
    assert np.ptp(blurred) < np.ptp(sharp)


def test_patches_far_away_are_unlikely_and_never_impossible() -> None:
    distances = np.array([[0.0, 50.0, 500.0]])
    assert np.isfinite(log_likelihood(distances, [2, 1, 0])).all()
    assert (log_likelihood(distances, [2, 1, 0]) < -100).all()


def test_misfit_is_how_much_farther_a_named_patch_lies_than_the_best_left() -> None:
    assert misfit_dE(DISTANCES[:1], [0, 3, 1]).tolist() == [[0, 0, 0]]
    assert misfit_dE(DISTANCES[:1], [1, 0, 2])[0] == pytest.approx([0.6, 0.0, 1.6])


def test_the_last_of_a_complete_ranking_has_nothing_left_to_misfit() -> None:
    assert misfit_dE(np.array([[2.0, 1.0]]), [1, 0])[0].tolist() == [0, 0]
