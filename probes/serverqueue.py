"""How many questions one server has in hand at once: a fleet's hosts all ask the same few name servers."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable

from probes.seam import Datagram, NotObserved

#: How long a server that does not answer at all is waited for before its next question may follow.  Many hosts ask a dead server
#: too, and nobody is spared by waiting for it one time-out after the other; so it gets as many questions a second as the
#: usual pace allows in all.  Ours.
_UNHEARD_SECONDS = 0.2


class ServerQueue:
    """The places at one server: each question holds one until it is answered or given up, and the others wait.

    A server from which nothing was heard for ``silence_seconds``, while it was asked, is taken for gone until it answers again.
    """

    def __init__(self, places: int, silence_seconds: float) -> None:
        self._places = asyncio.Semaphore(places)
        self._silence_seconds = silence_seconds
        self._heard_at: float | None = None

    async def ask(self, turn: Callable[[], Awaitable[None]], send: Callable[[], Awaitable[Datagram]]) -> Datagram:
        """Wait for a place and then for the ``turn`` in the pace, then ``send``.  Raises what ``send`` raises."""
        await self._places.acquire()
        held, loop = True, asyncio.get_running_loop()

        def leave() -> None:
            nonlocal held
            if held:
                held = False
                self._places.release()

        early: asyncio.TimerHandle | None = None
        try:
            await turn()
            if self._heard_at is None:
                early = loop.call_later(_UNHEARD_SECONDS, leave)
            answer = await send()
            self._heard_at = loop.time()
            return answer
        except NotObserved:
            if self._heard_at is not None and loop.time() - self._heard_at >= self._silence_seconds:
                self._heard_at = None
            raise
        finally:
            if early is not None:
                early.cancel()
            leave()
