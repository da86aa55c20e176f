"""Work beside other work: its result, its errors, and its end when the other is broken off."""

import threading
import time

import pytest

from pulsefind.core.beside import Beside


def test_both_go_on_at_once():
    started, go_on = threading.Event(), threading.Event()

    def work():
        started.set()
        assert go_on.wait(10)
        return 3

    with Beside(work) as three:
        assert started.wait(10)
        go_on.set()
        assert three.result() == 3
        assert three.result() == 3


def test_an_error_is_raised_where_the_result_is_asked_for():
    def fail():
        raise ValueError("no")

    with pytest.raises(ValueError, match="no"), Beside(fail) as failing:
        failing.result()


@pytest.mark.parametrize("error", [KeyboardInterrupt, SystemExit, ValueError])
def test_work_ends_when_the_block_is_left_by_an_error(error):
    steps, tidied = [], threading.Event()

    def work():
        try:
            for k in range(1000):
                time.sleep(0.01)
                steps.append(k)
        finally:
            tidied.set()

    begun = time.monotonic()
    with pytest.raises(error), Beside(work):
        while not steps:
            time.sleep(0.001)
        raise error
    assert tidied.is_set()
    assert time.monotonic() - begun < 5
    assert len(steps) < 1000
