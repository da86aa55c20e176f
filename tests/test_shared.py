"""What threads share is made once, and nobody takes a part of it for the whole."""

import threading

import pytest

from pulsefind.core.shared import Once, shared


def in_threads(works):
    threads = [threading.Thread(target=work) for work in works]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()


def test_every_reader_gets_every_item_and_each_is_made_once():
    made: list[int] = []
    found: list[list[int]] = [[], [], []]

    def items():
        for k in range(500):
            made.append(k)
            yield k

    readers = shared(items(), 3)
    in_threads([lambda r=r, f=f: f.extend(r) for r, f in zip(readers, found, strict=True)])
    assert made == list(range(500))
    assert found == [made] * 3


def test_nothing_is_made_before_it_is_asked_for():
    made: list[int] = []

    def items():
        for k in range(5):
            made.append(k)
            yield k

    reader, _ = shared(items(), 2)
    assert made == []
    next(reader)
    assert made == [0]


def test_an_error_reaches_every_reader():
    def items():
        yield 1
        raise ValueError("damaged")

    first, second = shared(items(), 2)
    assert next(first) == 1
    for reader in (first, second):
        with pytest.raises(ValueError, match="damaged"):
            list(reader)


def test_work_is_done_once_by_whoever_asks_first():
    made: list[int] = []
    found: list[object] = []

    def work() -> object:
        made.append(threading.get_ident())
        return object()

    once = Once(work)
    in_threads([lambda: found.append(once())] * 4)
    assert len(made) == 1
    assert len(set(map(id, found))) == 1


def test_work_that_failed_is_tried_again():
    tries = iter([ValueError("first"), None])

    def work():
        if error := next(tries):
            raise error
        return 7

    once = Once(work)
    with pytest.raises(ValueError, match="first"):
        once()
    assert once() == 7
