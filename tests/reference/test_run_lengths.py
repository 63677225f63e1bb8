"""Average run lengths of the drift detector, against published tables."""

import numpy as np
import pytest

from models.run_length import DECISION, REFERENCE, cumulative_sums


def run_length(decision: float, shift: float, *, series: int, length: int, seed: int = 20) -> tuple[float, float]:
    """Mean first time beyond the decision on white noise, two-sided, and its standard error."""
    rng = np.random.default_rng(seed)
    first = []
    for _ in range(series // 500):
        down, up = cumulative_sums(rng.standard_normal((500, length)) + shift)
        beyond = np.maximum(down, up) > decision
        assert beyond.any(axis=1).mean() > 0.995, "the series are long enough that nearly all signal"
        first.append(np.where(beyond.any(axis=1), beyond.argmax(axis=1) + 1, length))
    times = np.concatenate(first)
    return float(times.mean()), float(times.std() / np.sqrt(len(times)))


@pytest.mark.parametrize(
    ("decision", "shift", "published", "length"),
    [
        (4.0, 0.0, 167.68, 1500),
        (4.0, 0.5, 26.63, 300),
        (4.0, 1.0, 8.38, 80),
        (4.0, 2.0, 3.34, 40),
        (5.0, 0.0, 465.44, 3500),
        (5.0, 0.5, 38.00, 400),
        (5.0, 1.0, 10.38, 100),
        (5.0, 2.0, 4.01, 40),
    ],
)
def test_run_lengths_are_those_of_the_tables(decision: float, shift: float, published: float, length: int) -> None:
    """Source: Lucas & Crosier 1982, table 1 (h 4); Montgomery (h 5); shared trade facts, section 9, k 0.5."""
    mean, error = run_length(decision, shift, series=3000, length=length)
    assert mean == pytest.approx(published, abs=4 * error + 0.003 * published)


def test_ours_is_the_tables_k_and_h() -> None:
    assert (REFERENCE, DECISION) == (0.5, 5.0)


def test_siegmunds_formula_agrees() -> None:
    """Source: Siegmund 1985, shared trade facts, section 9: b = h + 1.166, 469.1 at h 5, no shift, two-sided."""
    b, delta = 5.0 + 1.166, -0.5
    one_sided = (np.exp(-2 * delta * b) + 2 * delta * b - 1) / (2 * delta**2)
    mean, error = run_length(5.0, 0.0, series=3000, length=3500)
    assert mean == pytest.approx(one_sided / 2, abs=4 * error + 5.0)
