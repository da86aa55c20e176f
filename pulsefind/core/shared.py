"""What several threads need and one of them makes, whichever asks first."""

from __future__ import annotations

import itertools
import threading
from collections.abc import Callable, Iterable, Iterator
from typing import Generic, TypeVar

T = TypeVar("T")


class Once(Generic[T]):
    """Work that is done when its result is first asked for, and never again.

    >>> sound = Once(lambda: [1, 2])
    >>> sound() is sound()
    True
    """

    def __init__(self, work: Callable[[], T]) -> None:
        """Keep the work for later."""
        self._work = work
        self._lock = threading.Lock()
        self._made: list[T] = []

    def __call__(self) -> T:
        """The result. An error is raised here, and the next who asks tries again."""
        with self._lock:
            if not self._made:
                self._made.append(self._work())
            return self._made[0]


def shared(items: Iterable[T], readers: int) -> tuple[Iterator[T], ...]:
    """The same items for several readers, each in a thread of its own: each item is made by the first who gets there.

    Only what the slowest hasn't read yet is kept. An error while an item is made is raised for every reader.

    >>> first, second = shared(iter("ab"), 2)
    >>> list(first), list(second)
    (['a', 'b'], ['a', 'b'])
    """
    lock = threading.Lock()
    errors: list[BaseException] = []

    def made() -> Iterator[T]:
        try:
            yield from items
        except BaseException as error:
            errors.append(error)
            raise

    def read(copy: Iterator[T]) -> Iterator[T]:
        while True:
            with lock:
                if errors:
                    raise errors[0]
                try:
                    item = next(copy)
                except StopIteration:
                    return
            yield item

    return tuple(read(copy) for copy in itertools.tee(made(), readers))
