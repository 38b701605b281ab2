"""Draws of what is not known, and what trials leave of it: moments of the laws that the draws claim to follow."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from hspkit.belief import LAPSE, OWN_SHARE, THEORY_SD_LN, Belief, Tried, draw, root_of, seed_of
from hspkit.errors import InputError
from hspkit.miscibility.margin import Margin, after_trial, mixture_key

NAMES = ("one", "two", "three")
MIDDLE = np.array([[17.0, 6.0, 9.0], [16.0, 8.0, 20.0], [18.0, 5.0, 7.0]])
VOLUMES, VOLUME_SD = np.array([90.0, 120.0, 160.0]), np.array([2.0, 5.0, 9.0])
MANY = 10_000


def covariances(rng, count, size=0.3):
    half = rng.normal(size=(count, 3, 3))
    return size * half @ half.swapaxes(1, 2) / 3


def taught():
    """Two of the substances and two liquids after trials, with everything correlated."""
    rng = np.random.default_rng(2)
    half = rng.normal(size=(8, 8)) / 3
    covariance = half @ half.T
    covariance /= 1.2 * np.linalg.eigvalsh(covariance)[-1]  # trials only narrow
    state = 0.3 * rng.normal(size=8)
    root = root_of(covariances(rng, 2))
    mean = MIDDLE[[2, 0]] + 0.1
    return Belief(("three", "one"), mean, root, ("glycol", "ester"), state, covariance)


def test_draws_have_the_moments_that_are_asked_for():
    covariance = covariances(np.random.default_rng(1), 3)
    found = draw(NAMES, MIDDLE, covariance, VOLUMES, VOLUME_SD, draws=MANY)
    assert found.hsp.shape == (MANY, 3, 3)
    # in mirrored pairs: the mean is exact, and every second half is the other side of the first
    assert_allclose(found.hsp.mean(axis=0), MIDDLE, atol=1e-9)
    assert_allclose(found.hsp[: MANY // 2] + found.hsp[MANY // 2 :], 2 * np.broadcast_to(MIDDLE, (MANY // 2, 3, 3)))
    assert_allclose(found.volumes.mean(axis=0), VOLUMES, rtol=1e-9)
    away = (found.hsp - MIDDLE).reshape(MANY, 9)
    counted = away.T @ away / MANY
    expected = np.zeros((9, 9))
    for row in range(3):
        expected[3 * row : 3 * row + 3, 3 * row : 3 * row + 3] = covariance[row]
    assert_allclose(counted, expected, atol=0.06 * covariance.max())
    assert_allclose(found.volumes.std(axis=0), VOLUME_SD, rtol=0.04)
    parts = np.corrcoef(found.volumes.T, away.T)
    assert np.abs(parts[:3, 3:]).max() < 0.05
    assert (found.misfit == 0).all()
    assert found.misfit_sd == pytest.approx(THEORY_SD_LN)


def test_draws_stay_within_what_there_is():
    """Parameters are never negative, volumes within a factor of two."""
    found = draw(NAMES, 0.1 * MIDDLE, 30 * covariances(np.random.default_rng(1), 3), VOLUMES, 3 * VOLUMES, draws=200)
    assert found.hsp.min() == 0.0
    assert_allclose(found.volumes.min(axis=0), 0.5 * VOLUMES)
    assert_allclose(found.volumes.max(axis=0), 2.0 * VOLUMES)


def test_draws_belong_to_the_substance_and_the_seed():
    covariance = covariances(np.random.default_rng(1), 3)

    def asked(order, seed):
        at = list(order)
        return draw(
            tuple(NAMES[i] for i in at), MIDDLE[at], covariance[at], VOLUMES[at], VOLUME_SD[at], draws=8,
            random_state=seed,
        )  # fmt: skip

    first, turned, other = asked((0, 1, 2), 5), asked((2, 0, 1), 5), asked((0, 1, 2), 6)
    assert (first.hsp[:, [2, 0, 1]] == turned.hsp).all()
    assert (first.volumes[:, [2, 0, 1]] == turned.volumes).all()
    assert not np.isclose(first.hsp, other.hsp).any()
    unsaid = draw(NAMES, MIDDLE, covariance, VOLUMES, VOLUME_SD)  # the same question has the same answer: 64 of seed 0
    assert (unsaid.hsp == draw(NAMES, MIDDLE, covariance, VOLUMES, VOLUME_SD, draws=64, random_state=0).hsp).all()
    assert seed_of(5) == seed_of(np.random.default_rng(5)) != seed_of(6)
    assert seed_of(None) != seed_of(None)
    for wrong in (True, -1, 2.0):
        with pytest.raises(InputError, match="random_state"):
            seed_of(wrong)


@pytest.mark.parametrize("liquid", ["glycol", "ester", "another"])
def test_draws_after_trials_have_the_law_that_trials_left(liquid):
    """z normal with the mean and covariance of the belief; parameters mean + root z, misfit of a liquid its number.

    The misfit comes as its mean given the parameters and the spread that is left, so the law of total variance holds.
    """
    belief = taught()
    own = covariances(np.random.default_rng(3), 3)
    found = draw(NAMES, MIDDLE, own, VOLUMES, VOLUME_SD, liquid=liquid, belief=belief, draws=MANY)
    shared = np.sqrt(1 - OWN_SHARE) * THEORY_SD_LN
    # all numbers as linear functions of z
    turn = np.zeros((7, 8))
    turn[:3, :3], turn[3:6, 3:6] = belief.root
    middle = np.append(belief.mean.ravel(), 0.0)
    if liquid in belief.liquids:
        turn[6, 6 + belief.liquids.index(liquid)] = shared
    middle = middle + turn @ belief.state
    expected = turn @ belief.covariance @ turn.T
    seen = np.column_stack([found.hsp[:, [2, 0]].reshape(MANY, 6), found.misfit])
    assert_allclose(seen.mean(axis=0), middle, atol=1e-9)
    counted = (seen - middle).T @ (seen - middle) / MANY
    scale = np.sqrt(np.outer(np.diag(expected), np.diag(expected)))
    assert_allclose(counted[:6, :6], expected[:6, :6], atol=0.08 * scale[:6, :6].max())
    assert_allclose(counted[6, :6], expected[6, :6], atol=0.06 * scale[6, :6].max() + 1e-12)
    of_its_own = OWN_SHARE * THEORY_SD_LN**2
    if liquid in belief.liquids:
        assert counted[6, 6] + found.misfit_sd**2 == pytest.approx(expected[6, 6] + of_its_own, rel=0.03)
        assert found.misfit_sd**2 >= of_its_own
    else:
        assert found.misfit_sd == pytest.approx(THEORY_SD_LN)
    # the substance that was not tried keeps its own draws
    plain = draw(NAMES, MIDDLE, own, VOLUMES, VOLUME_SD, draws=MANY)
    assert (found.hsp[:, 1] == plain.hsp[:, 1]).all()
    assert (found.volumes == plain.volumes).all()


def test_the_spread_that_is_left_of_a_misfit_is_that_of_a_conditional_normal():
    """Schur complement: var(m | z) = C_mm - C_mz C_zz^-1 C_zm, and the mean moves along C_mz C_zz^-1."""
    belief = taught()
    own = covariances(np.random.default_rng(3), 3)
    shared = np.sqrt(1 - OWN_SHARE) * THEORY_SD_LN
    zz, mz = belief.covariance[:6, :6], belief.covariance[7, :6]
    found = draw(NAMES, MIDDLE, own, VOLUMES, VOLUME_SD, liquid="ester", belief=belief, draws=20)
    left = belief.covariance[7, 7] - mz @ np.linalg.solve(zz, mz)
    assert found.misfit_sd**2 == pytest.approx(shared**2 * left + OWN_SHARE * THEORY_SD_LN**2)
    drawn = found.hsp[:, [2, 0]] - belief.mean
    z = np.concatenate([np.linalg.solve(belief.root[i], drawn[:, i].T).T for i in range(2)], axis=1)
    expected = belief.state[7] + (z - belief.state[:6]) @ np.linalg.solve(zz, mz)
    assert_allclose(found.misfit, shared * expected, rtol=1e-6, atol=1e-9)


def test_a_state_without_spread_draws_its_middle():
    """What is known for sure: all draws alike, and nothing tells of the misfit but its own number."""
    belief = taught()
    sure = np.zeros((8, 8))
    sure[6:, 6:] = belief.covariance[6:, 6:]
    known = Belief(belief.identities, belief.mean, belief.root, belief.liquids, belief.state, sure)
    found = draw(NAMES, MIDDLE, covariances(np.random.default_rng(3), 3), VOLUMES, VOLUME_SD, liquid="glycol",
                 belief=known, draws=6)  # fmt: skip
    assert np.ptp(found.hsp[:, [2, 0]], axis=0).max() < 1e-9
    assert np.ptp(found.misfit) < 1e-12
    shared = np.sqrt(1 - OWN_SHARE) * THEORY_SD_LN
    assert found.misfit[0] == pytest.approx(shared * belief.state[6])
    assert found.misfit_sd**2 == pytest.approx(shared**2 * sure[6, 6] + OWN_SHARE * THEORY_SD_LN**2)


def test_what_is_left_of_one_substance():
    belief = taught()
    for number, name in enumerate(("three", "one")):
        middle, spread = belief.after(name)
        own = slice(3 * number, 3 * number + 3)
        assert_allclose(middle, belief.mean[number] + belief.root[number] @ belief.state[own])
        assert_allclose(spread, belief.root[number] @ belief.covariance[own, own] @ belief.root[number].T)
    assert belief.after("two") is None
    far = Belief(
        belief.identities, -5.0 + 0 * belief.mean, belief.root, belief.liquids, belief.state, belief.covariance
    )
    assert (far.after("one")[0] == 0).all()
    tried = tuple(Tried((liquid,), word, 0.3) for liquid, word in (("a", "clear"), ("b", "hazy"), ("a", "splits")))
    known = Belief(belief.identities, belief.mean, belief.root, belief.liquids, belief.state, belief.covariance, tried)
    assert known.outcome_of(("a",)) is tried[2]
    assert known.outcome_of(("c",)) is None


def test_roots_are_symmetric_roots():
    covariance = covariances(np.random.default_rng(4), 5)
    root = root_of(covariance)
    assert_allclose(root @ root, covariance, atol=1e-12)
    assert_allclose(root, root.swapaxes(1, 2), atol=1e-12)
    assert (np.linalg.eigvalsh(root) > 0).all()


@pytest.mark.parametrize("seen", ["clear", "hazy", "splits"])
@pytest.mark.parametrize("chances", [(0.7, 0.1, 0.2), (0.02, 0.0, 0.98), (1.0, 0.0, 0.0), (0.0, 0.4, 0.6)])
def test_after_a_trial_chances_are_those_of_bayes(seen, chances):
    """A trial shows what is there, or by a lapse any of the others with the chance `LAPSE` each."""
    words = ("clear", "hazy", "splits")
    before = dict(zip(words, chances, strict=True))
    shown = {word: 1 - 2 * LAPSE if word == seen else LAPSE for word in words}
    whole = sum(shown[word] * before[word] for word in words)
    belief = Belief(
        (), np.zeros((0, 3)), np.zeros((0, 3, 3)), (), np.zeros(0), np.eye(0), (Tried(("x",), seen, whole),)
    )
    after = after_trial(belief, ("x",), before)
    assert after == pytest.approx({word: shown[word] * before[word] / whole for word in words}, abs=1e-12)
    assert after_trial(belief, ("y",), before) == before
    assert after_trial(None, ("x",), before) == before


def test_one_mixture_has_one_key_and_another_another():
    liquid = (("a", 0.5), ("b", 0.5))
    key = mixture_key(liquid, 1, 2, 0.5, 25)
    assert key == mixture_key(liquid, 2, 4, 1.0, 25.0) == mixture_key(liquid, 1 + 1e-12, 2, 0.5, 25.0 + 1e-9)
    others = [(2, 2, 0.5, 25), (1, 2.1, 0.5, 25), (1, 2, 0.6, 25), (1, 2, 0.5, 25.1), (1.0001, 2, 0.5, 25)]
    assert key not in [mixture_key(liquid, *one) for one in others]
    assert key[1:] == (pytest.approx(1 / 3.5), pytest.approx(0.5 / 3.5), 25.0)


def test_a_margin_is_a_normal_law():
    """Of ln M: half at the mean, 84.134 % one standard deviation off (tables of the normal law)."""
    one = Margin(-0.3, 0.2)
    assert one.p_below(np.exp(-0.3)) == pytest.approx(0.5)
    assert one.p_below(np.exp(-0.1)) == pytest.approx(0.84134, abs=1e-5)
    assert one.p_clear == one.p_below(1.0) == pytest.approx(0.93319, abs=1e-5)
    assert one.p_below(np.inf) == 1.0
