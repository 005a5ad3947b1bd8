"""Many things to do, of which one fails."""

import pytest

from sites.turns import each_in_turn


def test_each_has_its_turn():
    assert each_in_turn([3, 1, 2], lambda number: number * 2) == [6, 2, 4]
    assert each_in_turn([], int) == []


def test_those_after_one_that_fails_too():
    done = []

    def do(number):
        if number % 2:
            raise ValueError(f"{number} is odd")
        done.append(number)

    with pytest.raises(ExceptionGroup) as fault:
        each_in_turn(iter([0, 1, 2, 3, 4]), do)
    assert done == [0, 2, 4]
    assert [str(one) for one in fault.value.exceptions] == ["1 is odd", "3 is odd"]
    assert "2 of 5 failed" in str(fault.value)
