"""Weights of the layout's cells and the range that a slope's prior is for."""

import numpy as np
import pytest

from pitstats.stats import model_rates

BURNED = [1, 0, 1, 0, 1, 1, 0, 0]
PIT = [0, 0, 0, 0, 1, 1, 1, 1]
BAKE = [0, 0, 1, 1, 2, 2, 3, 3]
X = [[0.1], [0.9]] * 4
CELLS = np.array([[0.1], [0.5], [0.9]])


def rates(layout: object, **more: object) -> np.ndarray:
    found = model_rates(BURNED, [1] * 8, PIT, BAKE, X, layout, n_draws=512, **more)
    return np.array([found.rates.estimate, found.rates.low, found.rates.high])


def test_whole_weights_are_repeated_cells() -> None:
    weighted = rates(CELLS, layout_weight=[1, 2, 3])
    repeated = rates(np.repeat(CELLS, [1, 2, 3], axis=0))
    np.testing.assert_allclose(weighted, repeated, rtol=1e-9)


def test_only_proportions_of_the_weights_count() -> None:
    one = rates(CELLS, layout_weight=[1, 2, 3])
    np.testing.assert_allclose(one, rates(CELLS, layout_weight=[2, 4, 6]), rtol=1e-9)


def test_weights_pit_by_pit() -> None:
    weight = [[1, 2, 3], [3, 2, 1]]
    cells = np.stack([CELLS, CELLS])
    repeated = np.stack(
        [np.repeat(CELLS, own, axis=0) for own in ([1, 2, 3], [3, 2, 1])]
    )
    np.testing.assert_allclose(
        rates(cells, layout_weight=weight), rates(repeated), rtol=1e-9
    )


def test_the_usual_range_is_that_of_the_layout() -> None:
    np.testing.assert_allclose(rates(CELLS), rates(CELLS, X_range=[0.8]), rtol=1e-9)


def test_a_wider_range_lets_the_slope_go_further() -> None:
    # The prior is for the slope over the range: over a shorter one it is weaker.
    def width(size: float) -> float:
        found = model_rates(
            BURNED, [1] * 8, PIT, BAKE, X, CELLS, X_range=[size], n_draws=512
        )
        return float(found.slopes.high[0] - found.slopes.low[0])

    assert width(0.2) > width(0.8) > width(3.2)


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"layout_weight": [1, 2]}, "one weight per cell"),
        ({"layout_weight": [0, 0, 0]}, "above 0 for a cell of every pit"),
        ({"layout_weight": [1, -1, 1]}, "0 or more"),
        ({"X_range": [0.0]}, "above 0"),
        ({"X_range": [1.0, 1.0]}, "one per column"),
    ],
)
def test_what_does_not_fit(more: dict[str, object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        rates(CELLS, **more)
