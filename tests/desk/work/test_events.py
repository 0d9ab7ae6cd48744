"""I check server-sent events (WHATWG HTML, 9.2): numbered, caught up, each stream its own, ended when closed."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator

import pytest

from stitchbed.desk.work import events
from stitchbed.desk.work.events import Hub


async def some(stream: AsyncIterator[str], count: int) -> list[str]:
    """The next events."""
    return [await asyncio.wait_for(anext(stream), 5) for _ in range(count)]


def test_events_are_blocks_of_id_name_and_data() -> None:
    async def go() -> None:
        hub = Hub()
        stream = hub.stream(0)
        assert await some(stream, 1) == [": here\n\n"]
        hub.tell("changed", {"a": "line\nbreak", "b": [1, 2]})
        assert await some(stream, 1) == ['id: 1\nevent: changed\ndata: {"a":"line\\nbreak","b":[1,2]}\n\n']

    asyncio.run(go())


def test_a_page_that_slept_catches_up_and_each_has_its_own_stream() -> None:
    async def go() -> None:
        hub = Hub()
        for number in range(3):
            hub.tell("step", number)
        late, early = hub.stream(2), hub.stream(0)
        assert [one.split("\n")[0] for one in await some(late, 2)] == [": here", "id: 3"]
        assert [one.split("\n")[0] for one in await some(early, 4)] == [": here", "id: 1", "id: 2", "id: 3"]
        hub.tell("step", 3)
        for stream in (late, early):
            assert (await some(stream, 1))[0].startswith("id: 4\n")

    asyncio.run(go())


def test_a_page_of_an_earlier_desk_is_told_to_draw_itself_anew() -> None:
    async def go() -> None:
        hub = Hub()
        hub.tell("step", 0)
        assert await some(hub.stream(900), 2) == ['id: 1\nevent: changed\ndata: "anew"\n\n', ": here\n\n"]

    asyncio.run(go())


def test_long_silence_is_broken_and_old_events_are_forgotten(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(events, "BREATH", 0.01)

    async def go() -> None:
        hub = Hub()
        stream = hub.stream(0)
        assert await some(stream, 2) == [": here\n\n", ": still here\n\n"]
        for number in range(events.REMEMBERED + 5):
            hub.tell("step", number)
        assert (await some(stream, 1))[0].startswith("id: 6\n")

    asyncio.run(go())


def test_closed_every_stream_ends() -> None:
    async def go() -> None:
        hub = Hub()
        stream = hub.stream(0)
        await some(stream, 1)
        hub.tell("step", 1)
        hub.close()
        assert len([one async for one in stream]) <= 1

    asyncio.run(asyncio.wait_for(go(), 5))


def test_what_is_no_number_is_never_sent() -> None:
    with pytest.raises(ValueError, match="JSON"):
        Hub().tell("step", float("nan"))
