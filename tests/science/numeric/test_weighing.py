"""Estimates that share errors, weighed: against hand-worked values and Monte Carlo."""

from __future__ import annotations

import numpy as np
import pytest

from service.science.numeric.weighing import OneEstimate, apart, weigh

LN30 = float(np.log(30.0))


def test_independent_estimates_by_inverse_variance() -> None:
    """Standard deviations 0.1 and 0.2: weights 0.8 and 0.2, together 0.0894."""
    found = weigh([OneEstimate("a", LN30, {"x": 0.1}), OneEstimate("b", LN30 + 0.1, {"y": 0.2})])
    assert found.weights["a"] == pytest.approx(0.8, abs=1e-3)
    assert np.log(found.value) == pytest.approx(LN30 + 0.02, abs=1e-4)
    assert found.log_sd == pytest.approx(0.2 / 5**0.5, rel=1e-3)
    assert found.agree
    assert found.percent == pytest.approx(100 * (np.exp(1.96 * 0.08944) - 1), rel=1e-3)


def test_what_both_share_is_not_weighed_away() -> None:
    """The same probe in both: its error stays whole, whatever the number of estimates."""
    shared = [OneEstimate(name, LN30, {"probe": 0.15, name: 0.1}) for name in "abc"]
    assert weigh(shared).log_sd == pytest.approx(np.hypot(0.15, 0.1 / 3**0.5), rel=1e-3)
    # and what they differ in is judged without it: 0.3 apart is 2.1 of 0.141
    low, high = (
        OneEstimate(n, LN30 + d, {"probe": 1.0, n: 0.1}) for n, d in (("a", 0), ("b", 0.3))
    )
    assert apart(high, low) == pytest.approx(0.3 / 0.1414, rel=1e-2)
    assert not weigh([low, high]).agree


def test_disagreement_is_said_and_covered() -> None:
    one, other = OneEstimate("a", LN30, {"x": 0.1}), OneEstimate("b", np.log(12.0), {"y": 0.1})
    found = weigh([one, other])
    assert not found.agree
    assert found.low == pytest.approx(other.interval[1])
    assert found.high == pytest.approx(one.interval[2])
    assert found.value == pytest.approx((30 * 12) ** 0.5)


def test_intervals_hold_and_agreement_errs_as_often_as_said() -> None:
    """Three estimates, a probe in two of them: 95 % of intervals hold, 5 % are said to disagree;
    4,000 draws find either to 0.35 % (binomial): four times that."""
    rng = np.random.default_rng(11)
    moved = [{"probe": 0.1, "kh": 0.12}, {"probe": 0.1, "air": 0.2}, {"use": 0.3}]
    hold = agree = 0
    draws = 4000
    for _ in range(draws):
        error = {name: rng.standard_normal() for name in ("probe", "kh", "air", "use")}
        found = weigh(
            [
                OneEstimate(str(n), sum(size * error[name] for name, size in one.items()), one)
                for n, one in enumerate(moved)
            ]
        )
        agree += found.agree
        hold += found.agree and found.low <= 1.0 <= found.high
    assert agree / draws == pytest.approx(0.95, abs=0.015)
    assert hold / agree == pytest.approx(0.95, abs=0.015)


def test_what_is_no_estimate_is_refused() -> None:
    with pytest.raises(ValueError, match="estimates is 0; allowed: 1 to 4"):
        weigh([])
    with pytest.raises(ValueError, match="errors above 0"):
        weigh([OneEstimate("a", 0.0, {})])


def test_one_alone_is_what_matrices_make_of_it() -> None:
    """The best linear unbiased estimate of one, by numpy's inverse; rounding alone may differ."""
    one = OneEstimate("a", LN30, {"probe": 0.15, "kh": -0.08})
    covariance = np.array([[0.15**2 + 0.08**2 + 1e-8]])
    row = np.linalg.inv(covariance).sum(axis=0)
    weights = row / row.sum()
    sd = np.sqrt(weights @ covariance @ weights)
    ends = np.exp(weights @ np.array([LN30]) + np.array([0.0, -1.0, 1.0]) * 1.959963984540054 * sd)
    found = weigh([one])
    assert (found.value, found.low, found.high) == pytest.approx(tuple(ends), rel=1e-13)
    assert found.weights == {"a": 1.0} and found.agree is True
