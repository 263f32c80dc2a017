"""Parts of one photo's work on two threads, held to the standard library's own `map`."""

from __future__ import annotations

import threading
import time

import pytest

from matcher.core.parallel.side_by_side import both, side_by_side


@pytest.mark.parametrize("count", [0, 1, 2, 7])
def test_results_come_in_the_order_of_the_items(count: int) -> None:
    assert side_by_side(str, range(count)) == list(map(str, range(count)))


def test_two_are_at_work_at_once() -> None:
    both = threading.Barrier(2, timeout=20)  # breaks where the second waits for the first to end
    assert sorted(side_by_side(lambda _: both.wait(), range(2))) == [0, 1]


def test_what_one_raises_is_raised_by_the_whole() -> None:
    def inverse(number: int) -> float:
        return 1 / number

    with pytest.raises(ZeroDivisionError):
        side_by_side(inverse, [1, 0, 2])


def test_two_different_works_are_done_at_once_and_the_first_fault_is_raised() -> None:
    meet = threading.Barrier(2, timeout=20)
    assert sorted(both(meet.wait, meet.wait)) == [0, 1]
    with pytest.raises(ZeroDivisionError):
        both(lambda: 1 // 0, lambda: [][0])
    with pytest.raises(IndexError):
        both(lambda: 1, lambda: [][0])


def test_work_that_is_itself_done_side_by_side_waits_for_nobody() -> None:
    def row(number: int) -> list[int]:
        return side_by_side(lambda other: sum(both(lambda: number, lambda: other)), range(5))

    assert side_by_side(row, range(4)) == [[number + other for other in range(5)] for number in range(4)]


def test_no_thread_is_started_anew_for_each_call() -> None:
    workers = set()
    for _ in range(5):
        meet = threading.Barrier(2, timeout=20)

        def work(_: int, meet: threading.Barrier = meet) -> None:
            meet.wait()
            workers.add(threading.get_ident())

        side_by_side(work, range(2))
    assert len(workers) == 2


def test_an_interrupted_call_leaves_nothing_at_work() -> None:
    class Alarm(BaseException):
        pass

    done, caller = [], threading.get_ident()

    def work(number: int) -> None:
        if threading.get_ident() == caller:
            raise Alarm
        time.sleep(0.05)
        done.append(number)

    with pytest.raises(Alarm):
        side_by_side(work, range(20))
    left_at = len(done)
    time.sleep(0.2)
    assert len(done) == left_at <= 1
