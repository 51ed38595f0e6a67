"""Arms and the order along the cut cable, counted out by hand."""

from __future__ import annotations

import numpy as np
import pytest
from electrical_networks import alone, flat, ladder

from auditor.electrical.layout import lay_units, split_arms


def test_an_end_feed_is_one_arm_and_a_centre_feed_two():
    arm_counts, arm_circuit = split_arms(np.array([16, 16, 17, 1, 2]), np.array([False, True, True, True, True]))
    assert arm_counts.tolist() == [16, 8, 8, 9, 8, 1, 1, 1]
    assert arm_circuit.tolist() == [0, 1, 1, 2, 2, 3, 4, 4]


def test_the_first_of_several_arms_lies_backwards_on_the_cable():
    layout = lay_units(np.array([3, 3, 2, 2, 1]), np.array([0, 1, 1, 2, 2]))
    assert layout.arm_start.tolist() == [0, 3, 6, 8, 10, 11]
    assert layout.unit_arm.tolist() == [0, 0, 0, 1, 1, 1, 2, 2, 3, 3, 4]
    assert layout.unit_rank.tolist() == [1, 2, 3, 1, 2, 3, 1, 2, 1, 2, 1]
    assert layout.unit_cable_index.tolist() == [0, 1, 2, 2, 1, 0, 3, 4, 1, 0, 2]


def test_a_third_arm_follows_the_second():
    layout = lay_units(np.array([2, 2, 3]), np.array([0, 0, 0]))
    assert layout.unit_cable_index.tolist() == [1, 0, 2, 3, 4, 5, 6]


def test_nothing_to_lay():
    empty = np.array([], dtype=np.int64)
    arm_counts, arm_circuit = split_arms(empty, np.array([], dtype=bool))
    layout = lay_units(arm_counts, arm_circuit)
    assert layout.arm_start.tolist() == [0]
    assert len(layout.unit_cable_index) == 0


def test_a_network_of_unequal_arrays_is_refused():
    network = flat([alone(ladder([3]))])
    values = {**network.__dict__, "section_r_ohm": np.zeros(2)}
    with pytest.raises(ValueError, match="section_r_ohm holds 2 values where the network has 3 units"):
        type(network)(**values)
