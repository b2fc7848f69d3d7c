"""The semi-Markov decoder against published worked examples, hmmlearn and brute force.

With geometric durations, a survivor for the last segment, and self-transitions taken out, a
semi-Markov model is a plain hidden Markov model (Rabiner, Proc. IEEE 77 (1989) 257-286, section IV.D).
"""

import itertools
import warnings

import numpy as np
import pytest
from numpy.typing import NDArray

from soaktest.analysis.semi_markov import Decoded, Model, decode

Array = NDArray[np.float64]


def as_semi_markov(start: Array, trans: Array, observed: Array) -> Decoded:
    """Decode a plain HMM through the semi-Markov decoder; runs of one second each."""
    stay = np.diag(trans)
    leave = trans * (1 - np.eye(len(trans))) / (1 - stay)[:, None]

    def whole(d: Array) -> Array:
        return (d[:, None] - 1) * np.log(stay) + np.log(1 - stay)

    def at_least(d: Array) -> Array:
        return (d[:, None] - 1) * np.log(stay)

    with np.errstate(divide="ignore"):
        model = Model(np.log(start), np.log(leave), whole, at_least, whole, np.full(len(start), 1e9))
        return decode(model, np.ones(len(observed)), np.log(observed))


HEALTHY = (
    np.array([0.6, 0.4]),
    np.array([[0.7, 0.3], [0.4, 0.6]]),
    np.array([[0.5, 0.4, 0.1], [0.1, 0.3, 0.6]]),
)
WEATHER = (
    np.array([0.6, 0.4]),
    np.array([[0.7, 0.3], [0.4, 0.6]]),
    np.array([[0.1, 0.4, 0.5], [0.6, 0.3, 0.1]]),
)
UMBRELLA = (np.array([0.5, 0.5]), np.array([[0.7, 0.3], [0.3, 0.7]]), np.array([[0.9, 0.1], [0.2, 0.8]]))


def test_healthy_or_fever() -> None:
    """Encyclopedia article "Viterbi algorithm": path Healthy, Healthy, Fever; 0.01512 (from memory, recomputed)."""
    start, trans, emit = HEALTHY

    got = as_semi_markov(start, trans, emit[:, [0, 1, 2]].T)

    assert got.path.tolist() == [0, 0, 1]
    assert np.exp(got.score) == pytest.approx(0.01512)
    assert got.posterior[:, 0] == pytest.approx([0.876516, 0.622933, 0.212128], abs=1e-6)


def test_walk_shop_clean() -> None:
    """hmmlearn's own test, after the encyclopedia: Sunny, Rainy, Rainy with probability 0.01344."""
    start, trans, emit = WEATHER

    got = as_semi_markov(start, trans, emit[:, [0, 1, 2]].T)

    assert got.path.tolist() == [1, 0, 0]
    assert np.exp(got.score) == pytest.approx(0.01344)
    assert got.posterior[:, 0] == pytest.approx([0.23170303, 0.62406281, 0.86397706], abs=1e-7)


def test_umbrella() -> None:
    """Forward-backward example in hmmlearn's test suite: U U no U U; log Viterbi -4.4590, posteriors."""
    start, trans, emit = UMBRELLA

    got = as_semi_markov(start, trans, emit[:, [0, 0, 1, 0, 0]].T)

    assert got.path.tolist() == [0, 0, 1, 0, 0]
    assert got.score == pytest.approx(-4.4590, abs=1e-4)
    assert got.posterior[:, 0] == pytest.approx([0.8673, 0.8204, 0.3075, 0.8204, 0.8673], abs=1e-4)


@pytest.mark.parametrize("seed", range(8))
def test_hmmlearn_decodes_the_same(seed: int) -> None:
    """Random models of three states: best path, its log probability and posteriors equal hmmlearn's."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from hmmlearn.hmm import CategoricalHMM
    rng = np.random.default_rng(seed)
    start, trans, emit = rng.dirichlet(np.ones(3)), rng.dirichlet(np.ones(3), 3), rng.dirichlet(np.ones(4), 3)
    seen = rng.integers(0, 4, 40)
    reference = CategoricalHMM(3, init_params="", params="")
    reference.startprob_, reference.transmat_, reference.emissionprob_, reference.n_features = (
        start,
        trans,
        emit,
        4,
    )
    score, path = reference.decode(seen[:, None])

    got = as_semi_markov(start, trans, emit[:, seen].T)

    assert got.score == pytest.approx(score)
    assert got.path.tolist() == path.tolist()
    assert got.posterior == pytest.approx(reference.predict_proba(seen[:, None]), abs=1e-8)


@pytest.mark.parametrize("seed", range(6))
def test_explicit_durations_against_all_segmentations(seed: int) -> None:
    """Yu, Artif. Intell. 174 (2010) 215-243: on short sequences every segmentation can be tried."""
    rng = np.random.default_rng(seed)
    n, states = 6, 3
    lengths = rng.uniform(1, 9, n)
    scores = rng.normal(0, 2, (n, states))
    start = np.log(rng.dirichlet(np.ones(states)))
    trans = rng.dirichlet(np.ones(states), states)
    np.fill_diagonal(trans, 0.0)
    middle, spread = rng.uniform(2, 12, states), rng.uniform(0.3, 1.0, states)

    def whole(d: Array) -> Array:
        return -0.5 * ((np.log(d)[:, None] - np.log(middle)) / spread) ** 2

    def survivor(d: Array) -> Array:
        return -0.1 * d[:, None] / middle

    with np.errstate(divide="ignore"):
        model = Model(start, np.log(trans), whole, survivor, whole, np.full(states, 1e9))
    best, total, by_run = -np.inf, 0.0, np.zeros((n, states))
    for cuts in itertools.product([0, 1], repeat=n - 1):
        edges = [0, *(i + 1 for i, c in enumerate(cuts) if c), n]
        parts = list(itertools.pairwise(edges))
        for labels in itertools.product(range(states), repeat=len(parts)):
            value = start[labels[0]]
            for k, ((a, b), s) in enumerate(zip(parts, labels, strict=True)):
                span = lengths[a:b].sum(keepdims=True)
                value += (survivor if b == n else whole)(span)[0, s] + scores[a:b, s].sum()
                if k:
                    value += model.transition[labels[k - 1], s]
            best = max(best, value)
            weight = np.exp(value)
            total += weight
            for (a, b), s in zip(parts, labels, strict=True):
                by_run[a:b, s] += weight

    got = decode(model, lengths, scores)

    assert got.score == pytest.approx(best)
    assert got.posterior == pytest.approx(by_run / total, abs=1e-9)
