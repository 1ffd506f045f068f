"""Joint products: shares by every method, loads without weights, zero-sum postings."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from costing.engine.split import (
    SPLITS,
    Fractions,
    constant_margin_postings,
    split_shares,
)

NAMES = tuple(SPLITS)

# One press load: first pressing, second pressing, and the last drops as a by-product.
LOAD = Fractions(
    load=np.array([0, 0, 0]),
    n_loads=1,
    volume_l=np.array([2050.0, 500.0, 150.0]),
    weight_kg=np.array([2200.0, 540.0, 160.0]),
    price_per_l=np.array([8.0, 5.0, 1.0]),
    separable_per_l=np.array([1.0, 1.5, 0.5]),
    fixed_share=np.array([0.85, 0.15, 0.0]),
    by_product=np.array([False, False, True]),
)


@pytest.mark.parametrize(
    ("method", "first_pressing"),
    [
        ("volume", 2050 / 2550),
        ("weight", 2200 / 2740),
        ("sales value", 2050 * 8 / (2050 * 8 + 500 * 5)),
        ("nrv", 2050 * 7 / (2050 * 7 + 500 * 3.5)),
        ("constant margin", 2050 * 8 / (2050 * 8 + 500 * 5)),
        ("fixed", 0.85),
    ],
)
def test_shares_of_one_load(method, first_pressing):
    split = split_shares(LOAD, 0, (method,))
    np.testing.assert_allclose(split.share, [first_pressing, 1 - first_pressing, 0.0], rtol=1e-14)
    assert len(split.by_volume) == len(split.unsplit) == 0


def test_nrv_below_nothing_takes_no_cost():
    fractions = Fractions(np.array([0, 0]), 1, np.array([100.0, 100.0]), price_per_l=[8.0, 1.0], separable_per_l=2.0)
    np.testing.assert_array_equal(split_shares(fractions, 0, ("nrv",)).share, [1.0, 0.0])


def test_constant_margin_gives_every_product_one_margin():
    joint = 9_000.0
    split = split_shares(LOAD, 0, ("constant margin",))
    cost = split.share * joint + split.posting + np.where(LOAD.by_product, 0.0, LOAD.separable_cost)
    margin = 1 - cost[:2] / LOAD.sales_value[:2]
    assert margin[0] == pytest.approx(margin[1], rel=1e-12)
    assert split.posting.sum() == pytest.approx(0.0, abs=1e-9)
    assert split.posting[2] == 0.0
    np.testing.assert_array_equal(split.posting, constant_margin_postings(LOAD))
    assert not split_shares(LOAD, 0, ("sales value",)).posting.any()


def test_weights_that_are_all_zero_give_volume_and_a_report():
    fractions = Fractions(
        load=np.array([0, 0, 1, 1]),
        n_loads=2,
        volume_l=np.array([75.0, 25.0, 60.0, 40.0]),
        price_per_l=np.array([0.0, 0.0, 2.0, 3.0]),
        separable_per_l=np.array([1.0, 1.0, 0.5, 0.5]),
    )
    for method in ("sales value", "nrv", "constant margin"):
        split = split_shares(fractions, 0, (method,))
        np.testing.assert_allclose(split.share[:2], [0.75, 0.25])
        np.testing.assert_array_equal(split.by_volume, [0])
        np.testing.assert_array_equal(split.posting[:2], [0.0, 0.0])  # without a value there is no margin
    for method in ("weight", "fixed"):
        np.testing.assert_array_equal(split_shares(fractions, 0, (method,)).by_volume, [0, 1])


def test_a_load_in_which_nothing_bears_cost_is_reported():
    fractions = Fractions(
        load=np.array([0, 0, 1, 3]),
        n_loads=4,
        volume_l=np.array([100.0, 20.0, 50.0, 0.0]),
        by_product=np.array([False, True, True, False]),
    )
    split = split_shares(fractions, 0, ("volume",))
    np.testing.assert_array_equal(split.share, [1.0, 0.0, 0.0, 0.0])
    np.testing.assert_array_equal(split.unsplit, [1, 2, 3])  # by-product alone, no row, no volume
    assert len(split.by_volume) == 0


def test_a_mix_of_methods_is_each_method_alone():
    count = len(NAMES)
    rng = np.random.default_rng(7)
    rows = 3 * count
    mixed = Fractions(
        load=rng.permutation(np.repeat(np.arange(count), 3)),
        n_loads=count,
        volume_l=rng.uniform(10, 90, rows),
        weight_kg=rng.uniform(10, 90, rows),
        price_per_l=rng.uniform(1, 9, rows),
        separable_per_l=rng.uniform(0, 2, rows),
        fixed_share=rng.uniform(0, 1, rows),
    )
    split = split_shares(mixed, np.arange(count), NAMES)
    for code, name in enumerate(NAMES):
        alone, its_rows = split_shares(mixed, 0, (name,)), mixed.load == code
        np.testing.assert_array_equal(split.share[its_rows], alone.share[its_rows])
        np.testing.assert_array_equal(split.posting[its_rows], alone.posting[its_rows])
    assert split.posting[mixed.load == NAMES.index("constant margin")].any()


@st.composite
def presses(draw):
    rows = draw(st.integers(1, 12))
    loads = draw(st.integers(1, 4))

    def column(low, high):
        amount = st.one_of(st.just(low), st.floats(max(low, 1e-3), high))
        return np.array(draw(st.lists(amount, min_size=rows, max_size=rows)))

    return Fractions(
        load=np.array(draw(st.lists(st.integers(0, loads - 1), min_size=rows, max_size=rows))),
        n_loads=loads,
        volume_l=column(1.0, 5000.0),
        weight_kg=column(0.0, 5000.0),
        price_per_l=column(0.0, 50.0),
        separable_per_l=column(0.0, 60.0),
        fixed_share=column(0.0, 1.0),
        by_product=np.array(draw(st.lists(st.booleans(), min_size=rows, max_size=rows))),
    )


@given(fractions=presses(), data=st.data())
def test_shares_add_up_to_one_and_postings_to_nothing(fractions, data):
    methods = data.draw(
        st.lists(st.sampled_from(range(len(NAMES))), min_size=fractions.n_loads, max_size=fractions.n_loads)
    )
    split = split_shares(fractions, methods, NAMES)
    totals = np.bincount(fractions.load, split.share, minlength=fractions.n_loads)
    expected = np.ones(fractions.n_loads)
    expected[split.unsplit] = 0.0
    np.testing.assert_allclose(totals, expected, rtol=1e-12)
    assert (split.share >= 0).all()
    assert not split.share[np.asarray(fractions.by_product)].any()
    postings = np.bincount(fractions.load, split.posting, minlength=fractions.n_loads)
    np.testing.assert_allclose(postings, 0.0, atol=1e-6)  # of separable costs up to 3.6 million


@given(fractions=presses(), scale=st.sampled_from([2.0**-10, 0.5, 4.0, 1024.0]))
@pytest.mark.parametrize("name", NAMES)
def test_scale_and_row_order_do_not_matter(name, fractions, scale):
    scaled = Fractions(
        fractions.load,
        fractions.n_loads,
        fractions.volume_l * scale,
        fractions.weight_kg * scale,
        fractions.price_per_l * 2,
        fractions.separable_per_l * 2,
        fractions.fixed_share * scale,
        fractions.by_product,
    )
    turned = Fractions(
        **{column: value[::-1] if isinstance(value, np.ndarray) else value for column, value in vars(fractions).items()}
    )
    share = split_shares(fractions, 0, (name,)).share
    np.testing.assert_allclose(split_shares(scaled, 0, (name,)).share, share, rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(split_shares(turned, 0, (name,)).share[::-1], share, rtol=1e-12, atol=1e-15)


def test_impossible_rows_are_refused_with_their_position():
    with pytest.raises(ValueError, match="row 1: no such load"):
        Fractions(np.array([1, 2]), 2, np.array([1.0, 1.0]))
    negative = Fractions(np.array([0, 0]), 1, np.array([1.0, -1.0]))
    with pytest.raises(ValueError, match="row 1: the volume is -1"):
        split_shares(negative, 0, ("volume",))
    missing = Fractions(np.array([0, 0]), 1, np.array([1.0, 1.0]), price_per_l=np.array([np.nan, 2.0]))
    for method in ("sales value", "nrv", "constant margin"):
        with pytest.raises(ValueError, match=r"row 0: the .* is nan"):
            split_shares(missing, 0, (method,))
    assert (
        split_shares(missing, 0, ("volume",)).share[0] == 0.5
    )  # a price that the method does not read is not asked for
    unfinished = Fractions(np.array([0]), 1, np.array([1.0]), price_per_l=1.0, separable_per_l=np.nan)
    with pytest.raises(ValueError, match="row 0: the separable cost is missing"):
        constant_margin_postings(unfinished)
    with pytest.raises(ValueError, match="unknown split method 'colour'"):
        split_shares(LOAD, 0, ("colour",))
    for outside in (-1, len(NAMES)):
        with pytest.raises(ValueError, match="load 0: no such split method"):
            split_shares(LOAD, outside)
    with pytest.raises(ValueError, match="row 0: no such load"):
        Fractions(np.array([-1]), 2, np.array([1.0]))


def test_nothing_to_split():
    empty = Fractions(np.array([], dtype=int), 0, np.array([]))
    split = split_shares(empty, np.array([], dtype=int), NAMES)
    assert split.share.shape == split.posting.shape == (0,)
