"""Work that several ask for at once, done once for all of them."""

import asyncio
from collections.abc import Awaitable, Callable, Hashable
from typing import Any, TypeVar

Done = TypeVar("Done")


class UnderWay:
    """The shared work of one process; for one event loop."""

    def __init__(self) -> None:
        self._tasks: dict[Hashable, asyncio.Future[Any]] = {}

    async def share(self, name: Hashable, work: Callable[[], Awaitable[Done]]) -> tuple[Done, bool]:
        """What `work` comes to, and whether it was begun for this call.

        All who ask while it is under way are given the same result or exception. It goes on when one who waits, also
        the first, goes away.
        """
        task = self._tasks.get(name)
        begun = task is None
        if task is None:
            task = asyncio.ensure_future(work())
            self._tasks[name] = task
            task.add_done_callback(lambda done: self._settle(name, done))
        return await asyncio.shield(task), begun

    def _settle(self, name: Hashable, task: asyncio.Future[Any]) -> None:
        del self._tasks[name]
        if not task.cancelled():
            task.exception()  # or asyncio would report one that nobody was left to be given
