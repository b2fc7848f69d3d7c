"""Signing against the standard's own example, and hit/miss curves against a reference library."""

import numpy as np
import pytest
import statsmodels.api as sm
from joserfc.jwk import OKPKey

from soaktest.certificate.keys import opened
from soaktest.errors import InputError
from soaktest.workshop.drips import fit_logistic, sensitivity

# RFC 8037, appendix A (from memory; the signature itself proves the memory right).
X = "11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo"
THUMBPRINT = "kPrK_qmxVWaYVA9wwBF6Iuo3vVzz7TxHCTwXBygrS4k"


def test_thumbprint_of_the_standards_key() -> None:
    """RFC 8037, A.3: the thumbprint (RFC 7638) that names a key."""
    assert OKPKey.import_key({"kty": "OKP", "crv": "Ed25519", "x": X}).thumbprint() == THUMBPRINT


def test_a_signature_by_another_hand_is_opened_and_a_changed_one_is_not() -> None:
    """A JWS made with the standard's private key (A.1) by the cryptography library alone, without any JOSE library."""
    import base64

    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    def b64(x: bytes) -> str:
        return base64.urlsafe_b64encode(x).rstrip(b"=").decode()

    secret = base64.urlsafe_b64decode("nWGxne_9WmC6hEr0kuwsxERJxWl7MmkZcDusAxyuf2A=")
    head, body = b64(b'{"alg":"EdDSA","kid":"rfc"}'), b64(b"Example of Ed25519 signing")
    token = (
        f"{head}.{body}.{b64(Ed25519PrivateKey.from_private_bytes(secret).sign(f'{head}.{body}'.encode()))}"
    )
    keys = {"rfc": {"kty": "OKP", "crv": "Ed25519", "x": X}}

    assert opened(token, keys) == (b"Example of Ed25519 signing", "rfc")
    with pytest.raises(InputError, match="does not hold"):
        opened(f"{head}.{b64(b'Example of Ed25519 signinG')}.{token.split('.')[2]}", keys)
    unsigned = b64(b'{"alg":"none","kid":"rfc"}')
    none = f"{unsigned}.{body}."
    with pytest.raises(InputError):
        opened(none, keys)


@pytest.mark.parametrize("seed", range(6))
def test_the_curve_and_its_spread_are_those_of_a_reference_library(seed: int) -> None:
    """statsmodels' Logit on simulated drips: intercept, slope and covariance."""
    rng = np.random.default_rng(seed)
    ml = np.tile([0.05, 0.1, 0.2, 0.5], 12)
    seen = rng.random(len(ml)) < 1 / (1 + np.exp(-(4.5 + 2.0 * np.log(ml))))
    beta, covariance = fit_logistic(np.log(ml), seen)
    reference = sm.Logit(seen.astype(float), sm.add_constant(np.log(ml))).fit(disp=0)

    assert beta == pytest.approx(reference.params, rel=1e-5)
    assert covariance == pytest.approx(reference.cov_params(), rel=1e-4)


# Flour beetles dead after five hours in carbon disulphide: Bliss, Annals of Applied Biology 1935;22:134, table IV, as used in
# Dobson & Barnett, An Introduction to Generalized Linear Models, section 7.3 (data and estimates from memory; the sums
# and quartiles of the data agree with the summary that the R package dobson prints of its table 7.2).
LOG_DOSE = [1.6907, 1.7242, 1.7552, 1.7842, 1.8113, 1.8369, 1.8610, 1.8839]
TRIED = [59, 60, 62, 56, 63, 59, 62, 60]
HIT = [6, 13, 18, 28, 52, 53, 61, 60]


def test_a_published_hit_miss_data_set_gives_the_printed_curve() -> None:
    """Printed: intercept -60.72 (standard error 5.18), slope 34.27 (2.91); from them the dose of 90 %, and its bound above."""
    x = np.repeat(LOG_DOSE, TRIED)
    hit = np.concatenate([np.arange(n) < k for n, k in zip(TRIED, HIT, strict=True)])

    beta, covariance = fit_logistic(x, hit)
    told = sensitivity(np.exp(x), hit)

    assert beta == pytest.approx([-60.72, 34.27], abs=0.005)
    assert np.sqrt(np.diag(covariance)) == pytest.approx([5.18, 2.91], abs=0.005)
    ninety = (np.log(9.0) + 60.717) / 34.270
    assert np.log(told.a90) == pytest.approx(ninety, abs=1e-4)
    slope = (
        np.array([1.0, ninety]) / 34.270
    )  # Wald's bound by the delta method, near the likelihood's on so many tries
    wald = ninety + 1.645 * float(np.sqrt(slope @ covariance @ slope))
    assert np.log(told.a90_95) == pytest.approx(wald, abs=0.002)


def test_nineteen_in_twenty_bounds_lie_above_the_true_amount() -> None:
    """MIL-HDBK-1823A's a90/95: over many simulated challenges the bound holds the true a90 about 95 % of the time."""
    rng = np.random.default_rng(7)
    true = np.exp((np.log(9.0) - 6.0) / 2.5)
    held = total = 0
    for _ in range(400):
        ml = np.tile([0.05, 0.1, 0.15, 0.25, 0.5], 18)
        seen = rng.random(len(ml)) < 1 / (1 + np.exp(-(6.0 + 2.5 * np.log(ml))))
        try:
            told = sensitivity(ml, seen)
        except InputError:
            continue
        total += 1
        held += told.a90_95 >= true
    assert total > 350
    assert 0.90 <= held / total <= 0.99


def test_twenty_nine_of_twenty_nine_show_ninety_percent_at_ninety_five() -> None:
    """The classic sample size of demonstration by success alone: 0.9^29 = 0.047 (MIL-HDBK-1823A calls it 29 of 29)."""
    all_seen = sensitivity(np.full(29, 0.05), np.ones(29, dtype=bool))
    assert (all_seen.a90_95, all_seen.all_seen) == (0.05, True)
    with pytest.raises(InputError, match="so 1 more"):
        sensitivity(np.full(28, 0.05), np.ones(28, dtype=bool))
    with pytest.raises(InputError, match="of one amount"):
        sensitivity(np.full(28, 0.05), np.arange(28) < 20)
    with pytest.raises(InputError, match="too few"):
        sensitivity(np.full(5, 0.05), np.ones(5, dtype=bool))


def test_a_clean_edge_between_seen_and_unseen_is_bounded() -> None:
    """All of 0.05 ml unseen, all from 0.1 ml seen: no finite slope fits best, and the bound lies above the edge, closer with more tries."""
    bounds = []
    for times in (5, 15):
        ml = np.tile([0.05, 0.1, 0.2, 0.5], times)
        told = sensitivity(ml, ml > 0.07)
        assert told.a90 == pytest.approx(0.1)
        bounds.append(told.a90_95)
    assert 0.1 <= bounds[1] <= bounds[0] < 0.2


def test_all_seen_speaks_for_the_amount_that_was_tried_often_enough() -> None:
    """The scheme's 33 tries, all seen: 29 of them were of 10 drops or fewer."""
    ml = np.repeat([0.05, 0.1, 0.2, 0.5], [9, 9, 9, 6])

    assert sensitivity(ml, np.ones(33, dtype=bool)).a90_95 == 0.5


def test_tries_that_bound_nothing_are_refused() -> None:
    """The largest amount is still missed too often: no amount is made up beyond what was tried."""
    ml = np.repeat([0.05, 0.1, 0.2, 0.5], 6)
    seen = np.tile([True, False, True, False, True, False], 4) | (ml > 0.4) & (np.arange(24) % 3 > 0)

    with pytest.raises(InputError, match=r"add larger amounts|bound nothing"):
        sensitivity(ml, seen)
