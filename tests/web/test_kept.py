"""What takes long is worked out once, by one thread at a time."""

from __future__ import annotations

import threading

import pytest

from scheduler.web.kept import AGAIN_S, KEPT_MAX, Kept


class Clock:
    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def clock() -> Clock:
    return Clock()


def test_the_same_is_not_worked_out_again_within_a_while(clock: Clock) -> None:
    kept, made = Kept(clock), []
    for at_s in (0.0, AGAIN_S, AGAIN_S + 0.1, AGAIN_S + 0.2):
        clock.now_s = at_s
        kept.get("weeks", lambda at_s=at_s: made.append(at_s))
    assert made == [0.0, AGAIN_S + 0.1]


def test_what_rests_on_something_else_is_worked_out_anew(clock: Clock) -> None:
    kept = Kept(clock)
    assert [kept.get(key, lambda key=key: key * 2) for key in ("a", "b", "a")] == ["aa", "bb", "aa"]


def test_it_keeps_no_more_than_a_few(clock: Clock) -> None:
    kept, made = Kept(clock), []
    for number in (*range(KEPT_MAX + 1), KEPT_MAX, 0):
        kept.get(number, lambda number=number: made.append(number))
    assert made == [*range(KEPT_MAX + 1), 0]  # the oldest was let go


def test_an_answer_that_fails_is_asked_for_again(clock: Clock) -> None:
    kept = Kept(clock)
    with pytest.raises(ZeroDivisionError):
        kept.get("weeks", lambda: 1 // 0)
    assert kept.get("weeks", lambda: 7) == 7


def test_two_who_ask_at_once_share_one_answer(clock: Clock) -> None:
    kept, begun, go, made = Kept(clock), threading.Event(), threading.Event(), []

    def slow() -> int:
        made.append(1)
        begun.set()
        assert go.wait(30.0)
        return 5

    first = threading.Thread(target=lambda: kept.get("weeks", slow))
    second = threading.Thread(target=lambda: made.append(10 * kept.get("weeks", slow)))
    first.start()
    assert begun.wait(30.0)
    second.start()
    go.set()
    first.join(30.0)
    second.join(30.0)
    assert made == [1, 50]
