"""Classes of output: what sharing costs against each system's own shapes, and what never shares."""

from __future__ import annotations

from dataclasses import astuple
from itertools import product

import numpy as np
import pytest

from auditor.likelihood.output import NO_CLASS, class_inputs, day_shapes, output_classes

CLEARNESS = [0.5] * 12


def year_of(facts: tuple[float, ...]) -> np.ndarray:
    """The year's output and Σf⁴ of one system."""
    shapes = day_shapes(*facts, CLEARNESS)
    return np.array([(shapes.days[:, None] * shapes.output**power).sum() for power in (1, 4)])


# Bounds on the root mean square and the largest difference, of output and of Σf⁴, as `output` states them.
@pytest.mark.parametrize(
    ("azimuths", "rms", "largest"),
    [((90.0, 270.0), (0.03, 0.075), (0.10, 0.20)), ((-90.0, 90.0), (0.04, 0.13), (0.11, 0.45))],
)
def test_a_class_stands_for_its_systems(
    azimuths: tuple[float, float], rms: tuple[float, float], largest: tuple[float, float]
) -> None:
    rng = np.random.default_rng(11)
    low, high = np.array([[28, 50], [-120, -75], [5, 40], azimuths, [0.9, 1.5]], dtype=float).T
    facts = rng.uniform(low, high, (60, 5))
    keys = output_classes(*facts.T)
    error = np.array(
        [year_of(astuple(class_inputs(key))) / year_of(tuple(own)) - 1.0 for key, own in zip(keys, facts, strict=True)]
    )
    assert np.all(np.sqrt((error**2).mean(axis=0)) < rms)
    assert np.all(np.abs(error).max(axis=0) < largest)
    assert np.all(np.abs(error.mean(axis=0)) < 0.03)


@pytest.mark.parametrize("place", [(35.0, -105.0), (41.3, -73.1), (28.1, -82.5), (-33.9, 151.2)])
def test_one_place_has_few_classes(place: tuple[float, float]) -> None:
    grid = product(
        [place[0]], [place[1]], (10.0, 15.0, 20.0, 25.0, 30.0), np.arange(0.0, 360.0, 45.0), (1.05, 1.2, 1.35)
    )
    assert len(np.unique(output_classes(*np.array(list(grid)).T), axis=0)) <= 75


def test_the_system_that_stands_for_a_class_is_in_it() -> None:
    rng = np.random.default_rng(5)
    facts = rng.uniform([-60, -180, 0, 0, 0.7], [60, 180, 40, 360, 1.8], (300, 5))
    keys = output_classes(*facts.T)
    stands = np.array([astuple(class_inputs(key)) for key in keys])
    assert np.array_equal(output_classes(*stands.T), keys)
    assert np.abs(stands[:, 4] / facts[:, 4] - 1.0).max() < 0.0201


def test_east_and_west_stay_apart() -> None:
    keys = output_classes(*np.array([[35.0, 0.0, 20.0, 90.0, 1.2], [35.0, 0.0, 20.0, 270.0, 1.2]]).T)
    assert not np.array_equal(keys[0], keys[1])


@pytest.mark.parametrize("missing", range(5))
def test_a_missing_fact_gives_no_class(missing: int) -> None:
    facts = np.array([[35.0, 0.0, 20.0, 180.0, 1.2], [35.0, 0.0, 20.0, 180.0, 1.2]])
    facts[0, missing] = np.nan
    keys = output_classes(*facts.T)
    assert np.all(keys[0] == NO_CLASS)
    assert not np.any(keys[1] == NO_CLASS)
    with pytest.raises(ValueError, match="class"):
        class_inputs(keys[0])


def test_keys_do_not_depend_on_the_batch() -> None:
    rng = np.random.default_rng(6)
    facts = rng.uniform([25, -125, 0, 0, 0.9], [50, -70, 40, 360, 1.5], (50, 5))
    whole = output_classes(*facts.T)
    assert all(np.array_equal(output_classes(*facts[n : n + 1].T)[0], whole[n]) for n in range(50))
