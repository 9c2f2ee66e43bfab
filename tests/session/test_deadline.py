"""No await on the radio without a deadline, and none that ends in silence."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable

import pytest
from bleak.exc import BleakGATTProtocolError

from gateway.host.clock import Clock
from gateway.model.errors import RadioError, RefusedError
from gateway.session.deadline import within
from tests.support import on_virtual_time


async def answer() -> int:
    await asyncio.sleep(1)
    return 7


async def refuse() -> int:
    raise BleakGATTProtocolError(0x13)


async def break_down() -> int:
    raise EOFError


async def be_cancelled() -> int:
    raise asyncio.CancelledError


def test_an_answer_in_time_is_passed_on() -> None:
    assert on_virtual_time(lambda: within(2, "reading", answer())) == 7


@pytest.mark.parametrize(
    ("work", "kind", "told"),
    [
        (answer, RadioError, "reading: no answer within 0.5 s"),
        (refuse, RefusedError, "ATT error 0x13"),
        (break_down, RadioError, "reading: EOFError"),
        (be_cancelled, RadioError, "the Bluetooth stack"),
    ],
)
def test_every_other_end_is_an_error_that_says_what_was_being_done(
    work: Callable[[], Awaitable[int]], kind: type[Exception], told: str
) -> None:
    with pytest.raises(kind, match=told):
        on_virtual_time(lambda: within(0.5, "reading", work()))


def test_the_loss_of_the_link_ends_the_wait() -> None:
    async def work() -> None:
        lost = asyncio.Event()
        asyncio.get_running_loop().call_later(0.1, lost.set)
        with pytest.raises(RadioError, match="the link was lost before"):
            await within(10, "reading", answer(), lost)
        assert asyncio.get_running_loop().time() < 1

    on_virtual_time(work)


def test_what_was_started_has_ended_when_it_returns() -> None:
    ended = []

    async def stubborn() -> None:
        try:
            await asyncio.sleep(60)
        finally:
            await asyncio.sleep(1)
            ended.append(True)

    async def work() -> None:
        with pytest.raises(RadioError):
            await within(0.5, "connecting", stubborn())
        assert ended == [True]

    on_virtual_time(work)


def test_a_cancellation_from_outside_stays_one() -> None:
    async def work() -> None:
        task = asyncio.ensure_future(within(10, "reading", answer()))
        await asyncio.sleep(0.1)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task

    on_virtual_time(work)


def test_steps_of_the_wall_clock_are_told_once_and_bend_no_interval() -> None:
    monotonic, wall = [0], [1_000_000_000_000]
    clock = Clock(lambda: monotonic[0], lambda: wall[0])
    start = clock.now_ns()
    monotonic[0] += 10**9
    wall[0] += 3601 * 10**9
    assert clock.now_ns() - start == 10**9
    assert clock.wall_step_ns() == 3600 * 10**9
    assert clock.wall_step_ns() == 0
    wall[0] -= 3600 * 10**9
    assert clock.wall_step_ns() == -3600 * 10**9


def test_a_request_that_breaks_down_while_it_is_given_up_is_no_news() -> None:
    """A stack may answer a cancellation with an error of its own, such as that the link ended."""
    told: list[object] = []

    async def stubborn() -> None:
        try:
            await asyncio.sleep(10)
        except asyncio.CancelledError:
            raise EOFError("the link ended") from None

    async def work() -> None:
        loop = asyncio.get_running_loop()
        loop.set_exception_handler(lambda _, context: told.append(context))
        with pytest.raises(RadioError, match="no answer"):
            await within(0.5, "reading", stubborn())
        import gc

        gc.collect()
        await asyncio.sleep(0)

    on_virtual_time(work)
    assert told == []


def test_a_request_that_breaks_down_in_the_moment_in_which_its_caller_is_cancelled_is_no_news() -> None:
    told: list[object] = []

    async def work() -> None:
        loop = asyncio.get_running_loop()
        loop.set_exception_handler(lambda _, context: told.append(context))
        broken: asyncio.Future[None] = loop.create_future()

        async def request(answer: asyncio.Future[None]) -> None:
            await answer

        caller = asyncio.create_task(within(5, "reading", request(broken)))
        await asyncio.sleep(0.1)
        broken.set_exception(EOFError("the link ended"))
        await asyncio.sleep(0)  # the request has ended; its caller has not yet been told
        caller.cancel()
        await asyncio.gather(caller, return_exceptions=True)
        del broken, caller
        import gc

        gc.collect()
        await asyncio.sleep(0)

    on_virtual_time(work)
    assert told == []
