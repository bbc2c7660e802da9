"""How many questions one server has in hand at once: a fleet's hosts all ask the same few name servers."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable

from probes.seam import Datagram

#: How long a server that has never answered is waited for before its next question may follow.  Many hosts ask a dead server
#: too, and nobody is spared by waiting for it one time-out after the other; so it gets as many questions a second as the
#: usual pace allows in all.  Ours.
_UNHEARD_SECONDS = 0.2


class Counter:
    """The places at one server: each question holds one until it is answered or given up."""

    def __init__(self, places: int) -> None:
        self._places = asyncio.Semaphore(places)
        self._heard = False

    async def ask(self, turn: Callable[[], Awaitable[None]], send: Callable[[], Awaitable[Datagram]]) -> Datagram:
        """Wait for a place and then for the ``turn`` in the pace, then ``send``.  Raises what ``send`` raises."""
        await self._places.acquire()
        held = True

        def leave() -> None:
            nonlocal held
            if held:
                held = False
                self._places.release()

        early: asyncio.TimerHandle | None = None
        try:
            await turn()
            if not self._heard:
                early = asyncio.get_running_loop().call_later(_UNHEARD_SECONDS, leave)
            answer = await send()
            self._heard = True
            return answer
        finally:
            if early is not None:
                early.cancel()
            leave()
