"""The case-mix model against a reference library, its measures by hand, and what it must not blame."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
import statsmodels.api as sm
from scipy import stats

from auditor.quality import case_mix, compare, words


@pytest.fixture(scope="module")
def cells() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(3)
    design = np.column_stack([np.ones(40), rng.normal(size=(40, 3))])
    count = rng.integers(5, 60, 40).astype(float)
    chance = 1 / (1 + np.exp(-design @ [-1.5, 0.8, -0.4, 0.1]))
    return design, count, rng.binomial(count.astype(int), chance).astype(float)


def test_slopes_and_their_errors_are_those_of_the_reference(
    cells: tuple[np.ndarray, np.ndarray, np.ndarray], monkeypatch: pytest.MonkeyPatch
) -> None:
    design, count, seen = cells
    model = sm.GLM(np.column_stack([seen, count - seen]), design, family=sm.families.Binomial())
    monkeypatch.setattr(case_mix, "PRIOR_SD", 1e6)  # as good as no prior
    slopes, covariance = case_mix._fitted(design, count, seen)
    plain = model.fit(tol=1e-12)
    assert slopes == pytest.approx(plain.params, abs=1e-6)
    assert np.sqrt(np.diag(covariance)) == pytest.approx(plain.bse, rel=1e-5)
    # With a prior: statsmodels adds alpha b^2 / 2 to minus the log-likelihood over the rows.
    monkeypatch.setattr(case_mix, "PRIOR_SD", 0.25)
    slopes, _ = case_mix._fitted(design, count, seen)
    alpha = np.array([0, 1, 1, 1]) / 0.25**2 / len(count)
    ridge = model.fit_regularized(alpha=alpha, L1_wt=0.0, opt_method="bfgs")
    assert slopes == pytest.approx(ridge.params, abs=1e-3)
    assert np.abs(slopes[1] - plain.params[1]) > 0.01


def test_auc_is_that_of_mann_and_whitney() -> None:
    rng = np.random.default_rng(4)
    chance = rng.integers(1, 8, 60) / 10
    failed = rng.random(60) < chance
    u = stats.mannwhitneyu(chance[failed], chance[~failed]).statistic
    assert case_mix.auc(chance, np.ones(60), failed) == pytest.approx(u / (failed.sum() * (~failed).sum()))
    assert np.isnan(case_mix.auc([0.5], [3], [0]))


def cases(count: int, seed: int = 1, **columns: object) -> pl.DataFrame:
    """Cases of one system each, alike but for what is given."""
    rng = np.random.default_rng(seed)
    frame = pl.DataFrame({
        "system_id": [f"s{n}" for n in range(count)], "value": "a", "service": "120/240",
        "home_run_m": rng.uniform(10, 60, count), "feeder_m": 5.0, "units": 10, "year": 2015 + np.arange(count) % 8,
        "failed": False,
    })  # fmt: skip
    frame = frame.with_columns(**{name: pl.Series(name, value) for name, value in columns.items()})
    return frame.with_columns(pl.lit(None, pl.Date).alias("day")).select(
        pl.col(name).cast(kind) for name, kind in compare.CASES.items()
    )


def test_expectations_add_up_and_are_calibrated() -> None:
    rng = np.random.default_rng(8)
    frame = cases(3_000)
    chance = 1 / (1 + np.exp(-(-9 + 2.2 * np.log(frame["home_run_m"].to_numpy()))))
    frame = frame.with_columns(failed=pl.Series(rng.random(3_000) < chance))
    expected, fit = case_mix.expected(frame)
    assert expected.sum() == pytest.approx(frame["failed"].sum(), rel=1e-4)
    assert np.abs(expected - chance).mean() < 0.03
    assert fit.calibration["cases"].sum() == fit.cases == 3_000
    assert fit.calibration["failed"].sum() == fit.failed
    assert (fit.calibration["expected"] - fit.calibration["failed"]).abs().max() < 30
    assert fit.auc > 0.7


def test_separation_and_gaps_do_not_blow_it_up() -> None:
    frame = cases(400, service=["120/240", "230"] * 200)
    frame = frame.with_columns(
        failed=pl.col("service") == "230",  # one term parts all failures from all passes
        home_run_m=pl.when(pl.int_range(pl.len()) % 3 == 0).then(None).otherwise(pl.col("home_run_m")),
        feeder_m=pl.lit(float("nan")), units=pl.lit(None, pl.Int64),
    )  # fmt: skip
    expected, fit = case_mix.expected(frame)
    assert np.isfinite(expected).all()
    assert ((expected > 0) & (expected < 1)).all()
    odds = fit.terms.filter(pl.col("term") == "service 230").row(0, named=True)
    assert 1 < odds["low"] < odds["odds_ratio"] < odds["high"] < 1e9
    assert fit.terms["high"].is_finite().all()


def mixed() -> pl.DataFrame:
    """Twenty designers with fifty short runs and ten long ones, one with long runs alone; long ones fail at 40 %."""
    parts = []
    for number in range(21):
        long = 60 if number == 20 else 10
        length = [45.0] * long + [15.0] * (60 - long)
        failed = [k % 5 < 2 for k in range(long)] + [k % 50 == 0 for k in range(60 - long)]
        told = {"value": [f"d{number:02d}"] * 60, "system_id": [f"{number}-{k}" for k in range(60)]}
        years = [2015 + (7 * k) % 8 for k in range(60)]
        parts.append(cases(60, **told, home_run_m=length, failed=failed, year=years))
    return pl.concat(parts)


def test_long_runs_are_no_blame() -> None:
    found = compare.compare(mixed(), "designer")
    unit = found.units.filter(pl.col("value") == "d20").row(0, named=True)
    assert unit["unadjusted"] == compare.MORE
    assert unit["evidence"] == compare.NONE
    assert unit["expected"] == pytest.approx(24, abs=2)
    assert "its case mix explains it" in words.said_of(unit, found)
    assert words.answer(found, "designers").startswith("No evidence that designers differ")
    assert found.units["value"].to_list() == sorted(found.units["value"])  # all of one size: by name, not by rate


def test_who_is_worse_is_found_and_cases_that_fail_together_tell_less() -> None:
    worse = (pl.col("value") == "d03") & (pl.int_range(pl.len()) % 3 == 0)
    frame = mixed().with_columns(failed=pl.col("failed") | worse)
    found = compare.compare(frame, "designer")
    assert found.told_apart["value"].to_list() == ["d03"]
    assert words.answer(found, "designers").startswith("1 of 21 designers stands apart")
    # The same verdicts told three times over are no more evidence.
    thrice = compare.compare(pl.concat([frame] * 3), "designer")
    assert found.alike == pytest.approx(1.0, abs=0.1)
    assert thrice.alike == pytest.approx(3 * found.alike, rel=0.05)
    score = thrice.units.filter(pl.col("value") == "d03")["score"][0]
    assert score == pytest.approx(found.told_apart["score"][0], rel=0.1)
    for name in ("shrunken", "shrunken_low", "shrunken_high"):
        alone, told = (one.units.sort("value")[name] for one in (found, thrice))
        assert told.to_list() == pytest.approx(alone.to_list(), rel=0.05), name


def test_where_all_vary_none_is_told_and_the_words_say_why() -> None:
    # Of forty designers with forty cases each, half fail two and half eighteen: nobody stands apart from that.
    parts = [
        cases(40, value=[f"d{n:02d}"] * 40, system_id=[f"{n}-{k}" for k in range(40)], home_run_m=[20.0] * 40,
              failed=[k < (2 if n % 2 else 18) for k in range(40)], year=[2015 + k % 8 for k in range(40)])
        for n in range(40)
    ]  # fmt: skip
    found = compare.compare(pl.concat(parts), "designer")
    assert found.spread > 3 * found.alike
    assert found.told_apart.height == 0
    for unit in found.units.iter_rows(named=True):
        said = words.said_of(unit, found)
        assert said.startswith("No evidence that it differs: ")
        assert said.endswith("Its case mix does not explain that, but so far apart are some of so many.")
    assert "which widens the limits" in words.method(found)
    assert words.answer(found, "designers").startswith("None of 40 designers stands apart: all of them vary")


@pytest.mark.parametrize("failed", [True, False, None])
def test_nothing_to_compare_is_said(failed: bool | None) -> None:
    found = compare.compare(cases(12, failed=pl.Series([failed] * 12, dtype=pl.Boolean)), "designer")
    assert found.units["evidence"].to_list() == [compare.NONE]
    assert found.fit is None
    says = words.said_of(found.units.row(0, named=True), found)
    if failed is None:
        assert says == "Nothing is known: every verdict is unknown."
        assert words.answer(found, "designers").startswith("No case has a verdict")
    else:
        assert "no evidence that designers differ" in words.answer(found, "designers")
    empty = compare.compare(cases(12).clear(), "designer")
    assert empty.units.height == 0
