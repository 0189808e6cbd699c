"""Many studies with sessions at a time, against the engine."""

import numpy as np
import pytest
from scipy.special import expit

from pitstats import stats
from pitstats.stats.marginal import marginal_intercept
from pitstats.stats.session_model import SessionModel


def studies(rates, bakes, n_studies, sd_session, seed, items=18):
    pits = len(rates)
    pit, session = np.tile(range(pits), bakes), np.repeat(range(bakes), pits)
    rng = np.random.default_rng(seed)
    base = marginal_intercept(np.array(rates), np.full(pits, np.hypot(0.4, sd_session)))
    days = rng.normal(0, sd_session, (n_studies, bakes))[:, session]
    logit = base[pit] + rng.normal(0, 0.4, (n_studies, pit.size)) + days
    return rng.binomial(items, expit(logit)), np.full(pit.size, items), pit, session


@pytest.mark.parametrize("sd_session", [0.0, 1.0])
def test_two_pits_agree_with_the_engine(sd_session):
    burned, total, pit, session = studies([0.2, 0.5], 4, 8, sd_session, 4)
    quick = SessionModel(total, pit, session).ends(burned)
    for k, row in enumerate(burned):
        slow = stats.model_rates(row, total, pit, range(8), session=session)
        assert quick.low[k, 0] == pytest.approx(slow.differences.low[0], abs=0.025)
        assert quick.high[k, 0] == pytest.approx(slow.differences.high[0], abs=0.025)


def test_swapped_pits_and_shuffled_bakes():
    burned, total, pit, session = studies([0.2, 0.5], 3, 5, 0.6, 5)
    ends = SessionModel(total, pit, session).ends(burned)
    order = np.random.default_rng(1).permutation(6)
    other = SessionModel(total[order], pit[order], session[order]).ends(
        burned[:, order]
    )
    np.testing.assert_allclose(other.low, ends.low, atol=1e-5)
    swapped = SessionModel(total, 1 - pit, session).ends(burned)
    np.testing.assert_allclose(swapped.low, -ends.high, atol=0.03)


def test_a_pit_on_a_day_of_its_own():
    # A session with one pit alone is a bake with a wider spread.
    burned, total, pit, session = studies([0.3, 0.3], 3, 4, 0.8, 6)
    session = np.append(session, 3)
    pit, total = np.append(pit, 0), np.append(total, 18)
    burned = np.column_stack([burned, [4, 5, 6, 7]])
    quick = SessionModel(total, pit, session).ends(burned)
    for k, row in enumerate(burned):
        slow = stats.model_rates(row, total, pit, range(7), session=session)
        assert quick.low[k, 0] == pytest.approx(slow.differences.low[0], abs=0.025)


def test_more_pits_go_through_the_engine():
    burned, total, pit, session = studies([0.1, 0.6, 0.6], 4, 3, 0.6, 7)
    model = SessionModel(total, pit, session)
    ends = model.ends(burned, pairs=((0, 1),))
    assert ends.low.shape == (3, 1)
    assert (ends.simultaneous_low <= ends.low).all()
    assert model.separated(burned, any_pair=True).any()


def test_shapes_that_differ_are_refused():
    with pytest.raises(ValueError, match="one entry per bake"):
        SessionModel([18, 18], [0, 1], [0])


def test_what_shows_after_each_session_is_that_of_the_study_cut_there():
    burned, total, pit, session = studies([0.2, 0.5], 4, 6, 0.6, 8)
    levels = np.array([0.2, 0.01])
    found = SessionModel(total, pit, session).after_sessions(burned, [2, 4], levels)
    for place, k in enumerate((2, 4)):
        first = slice(2 * k)
        alone = SessionModel(
            total[first], pit[first], session[first], 1 - levels[place]
        )
        own = alone.after_sessions(burned[:, first], [k], levels[place])
        for name in found._fields:
            np.testing.assert_allclose(
                getattr(own, name)[:, 0], getattr(found, name)[:, place], atol=1e-5
            )
        ends = alone.ends(burned[:, first])
        np.testing.assert_allclose(ends.low[:, 0], found.low[:, place], atol=1e-5)
        np.testing.assert_allclose(ends.high[:, 0], found.high[:, place], atol=1e-5)
    apart = (found.low > 0) | (found.high < 0)
    assert (apart == (found.p_value < levels)).all()
    assert ((found.low < found.estimate) & (found.estimate < found.high)).all()
    with pytest.raises(ValueError, match="two pits"):
        SessionModel([9] * 3, [0, 1, 2], [0, 0, 0]).after_sessions([[1, 2, 3]], [1])
