"""I check that work on threads keeps its order, its distance ahead, and its errors."""

from __future__ import annotations

import itertools
import threading
from concurrent.futures import Future

import cv2
import pytest

from stitchbed.imaging.parallel import in_order, single_threaded_opencv


@pytest.mark.parametrize("workers", [0, 1, 2, 5])
def test_results_come_in_the_order_of_the_items(workers: int) -> None:
    late = threading.Event()

    def work(item: int) -> int:
        if item == 0 and workers > 1:
            late.wait(5)  # the first is done last
        elif item == workers - 1:
            late.set()
        return item * item

    assert list(in_order(work, range(20), workers)) == [k * k for k in range(20)]
    assert list(in_order(work, [], workers)) == []


@pytest.mark.parametrize("workers", [1, 2, 4])
def test_no_more_are_taken_than_promised(workers: int) -> None:
    taken: list[int] = []
    items = (taken.append(item) or item for item in itertools.count())
    results = in_order(lambda item: item, items, workers)
    for done in range(12):
        assert next(results) == done
        assert taken[-1] - done < workers + 2  # those handed on and those ahead
    results.close()


def test_an_error_comes_at_its_place_and_ends_the_work() -> None:
    started: list[int] = []

    def work(item: int) -> float:
        started.append(item)
        return 1 / (item - 3)

    results = in_order(work, range(1000), 2)
    assert [next(results) for _ in range(3)] == [1 / -3, 1 / -2, -1.0]
    with pytest.raises(ZeroDivisionError):
        next(results)
    assert len(started) < 20


def test_ended_early_what_waits_is_not_begun(monkeypatch: pytest.MonkeyPatch) -> None:
    go, started, canceled = threading.Event(), [], []
    cancel = Future.cancel

    def canceling(future: Future[int]) -> bool:
        canceled.append(cancel(future))
        if len(canceled) == 3:  # those ahead of the one handed on
            go.set()
        return canceled[-1]

    def work(item: int) -> int:
        started.append(item)
        assert item == 0 or go.wait(5)
        return item

    monkeypatch.setattr(Future, "cancel", canceling)
    results = in_order(work, range(9), 2)
    assert next(results) == 0
    results.close()
    assert set(started) <= {0, 1, 2}


def test_opencv_s_threads_come_back_even_after_an_error() -> None:
    before = cv2.getNumThreads()
    cv2.setNumThreads(2)
    try:
        with pytest.raises(KeyError), single_threaded_opencv():
            assert cv2.getNumThreads() == 1
            raise KeyError
        assert cv2.getNumThreads() == 2
    finally:
        cv2.setNumThreads(before)
