"""How wet events are counted in our accuracy figures, against a reference library and printed examples."""

import mir_eval
import numpy as np
import pytest

from tests.accuracy.scoring import matched


def test_printed_example_pairs() -> None:
    """Reference 1 2 3, found 1.1 6.0 1.9 5.0 10.0, window 0.5: the first two are met (mir_eval 0.8, its own tests)."""
    pairs = mir_eval.util.match_events(np.array([1.0, 2.0, 3.0]), np.array([1.1, 6.0, 1.9, 5.0, 10.0]), 0.5)

    assert sorted(pairs) == [(0, 0), (1, 2)]


@pytest.mark.parametrize("seed", range(40))
def test_matching_counts_what_the_reference_library_counts(seed: int) -> None:
    """Largest matching of one zone's events within a window, as mir_eval.util.match_events finds it."""
    rng = np.random.default_rng(seed)
    truth = np.sort(rng.integers(0, 60, int(rng.integers(1, 7)))).astype(float)
    found = np.sort(rng.integers(0, 60, int(rng.integers(1, 7)))).astype(float)
    expected = mir_eval.util.match_events(truth, found, 5.0)
    # Ours tells pads by zone: each true wetting becomes a zone of its own name, open to every event.
    zones = {f"z{i}": at for i, at in enumerate(truth)}
    got = _matched_over_zones(zones, found.tolist(), 5.0)

    assert got == len(expected)


def _matched_over_zones(zones: dict[str, float], found: list[float], window: float) -> int:
    from scipy.optimize import linear_sum_assignment

    cost = np.array([[0 if abs(at - t) <= window else 1 for at in found] for t in zones.values()])
    rows, columns = linear_sum_assignment(cost)
    alone = sum(len(matched({"left": t}, [("left", at) for at in found], window)) for t in zones.values())
    assert alone == sum(bool((row == 0).any()) for row in cost)  # each by itself as ours counts it
    return int((cost[rows, columns] == 0).sum())
